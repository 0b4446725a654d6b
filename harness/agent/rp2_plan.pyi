"""Types of ``rp2_plan.py``, which itself keeps to what MicroPython understands."""

from array import array
from collections.abc import Sequence
from typing import Any, Final

from .codec import Block
from .faces import RoomFace
from .rp2_stream import Chain

LOOPS: Final = 32
SEND_STEP: Final[int]
SEND_SAME: Final[int]
SEND_PAIR: Final[int]
GET_STEP: Final[int]
GET_SAME: Final[int]
BLOCKS: Final[int]

class Plan:
    most_words: int
    most_kept: int
    stream: Any
    stream_at: int
    capture: Any
    capture_at: int
    sending: Any
    sending_at: int
    getting: Any
    getting_at: int
    send: Chain
    get: Chain
    pieces: list[tuple[int, int, int, int, int]]
    used: int
    kept: int
    cycles: int
    picked: int
    pull: int
    why: str
    row_words: int
    first: int
    stop: int
    buffers: tuple[Any, ...]
    def __init__(self, bus: RoomFace, stream: int, capture: int) -> None: ...
    def clear(self) -> None: ...
    def lay_out(
        self,
        block: Block,
        start: tuple[int, int],
        table: Sequence[int],
        span: tuple[int, int, int, int],
    ) -> tuple[int, int]: ...
    def obstacle(self, block: Block, row: int, enable: int) -> str: ...
    def part(self, block: Block, row: int, done: int, count: int) -> int: ...
    def room(self) -> int: ...
    def inline(self, row: int, done: int, size: int, step: int) -> int: ...
    def keep(self, size: int) -> None: ...
    def repeated(self, row: int, done: int, size: int, tested: int) -> int: ...
    def last_levels(self, block: Block) -> int: ...
    def pick(self, target: array[int], size: int, table: Sequence[int]) -> None: ...

def has_pulse(block: Block, count: int) -> bool: ...
