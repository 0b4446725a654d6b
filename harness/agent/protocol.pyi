"""Types of ``protocol.py``, which itself keeps to what MicroPython understands."""

from array import array
from typing import Final

from _typeshed import ReadableBuffer, WriteableBuffer

VERSION: Final[int]
QUANTUM: Final[int]
MAX_BODY: Final[int]
REMEMBER: Final[int]
ANYONE: Final = 0

HELLO: Final = 1
BIND: Final = 2
TIMING: Final = 3
START: Final = 4
LOAD: Final = 5
BLOCK: Final = 6
TOTALS: Final = 7
SENSE: Final = 8
ABORT: Final = 9
BYE: Final = 10

DONE: Final = 64
FAULT: Final = 65
BUSY: Final = 66
GAP: Final = 67

PLANES: Final = 0
LAYOUT: Final = 1
WORDS: Final = 2
SAME: Final = 3

PLAIN: Final = 0
XOR: Final = 1
SUB: Final = 2
CONSTANT: Final = 3
TURNED: Final = 4

FIELDS: Final[tuple[str, ...]]
UNTIL: Final = 0x80000000

DEFLATED: Final = 1
REPEATS: Final = 2
MATCHED: Final = 4

GAP_FREE: Final = 1
PULSES: Final = 2
WINDOW_BITS: Final[int]
MAX_WINDOW: Final[int]
MAX_KEPT: Final[int]
MAX_UNTIL: Final[int]
MAX_ANSWER: Final[int]

def unstuff(
    source: ReadableBuffer, state: array[int], target: bytearray | memoryview, end: int
) -> int: ...
def stuff(source: ReadableBuffer, count: int, target: WriteableBuffer) -> int: ...

class Deframer:
    buffer: bytearray
    view: memoryview
    state: array[int]
    damaged: int
    def __init__(self, limit: int = ...) -> None: ...
    def feed(self, chunk: ReadableBuffer, count: int) -> list[bytes]: ...

def frame(session: int, number: int, kind: int, payload: bytes) -> bytes: ...
