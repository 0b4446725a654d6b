"""Types of ``rp2_timing.py``, which itself keeps to what MicroPython understands."""

from collections.abc import Sequence
from typing import Final

PLAIN_TICKS: Final = 4
PULSED_TICKS: Final = 6
SYNC_TICKS: Final = 2
LEAST_READ: Final = 3
MOST_LOOP: Final = 1057
OUT_PINS: Final = 0x6000
OUT_X: Final = 0x6020
OUT_Y: Final = 0x6040
OUT_NULL: Final = 0x6060
OUT_PINDIRS: Final = 0x6080
IN_PINS: Final = 0x4000
GO: Final = 0x0000
GO_Y_DOWN: Final = 0x0080
MOV_PINS_X: Final = 0xA001
MOV_PINS_Y: Final = 0xA002
MOV_PINS_ISR: Final = 0xA006
MOV_Y_X: Final = 0xA041
MOV_ISR_Y: Final = 0xA0C2
NOTHING: Final = 0xA042
SET_Y: Final = 0xE040
PULL_IF_EMPTY: Final = 0x80E0

class Layout:
    program: list[int]
    words: int
    x: int | None
    ticks: int
    read: int
    def __init__(
        self, program: list[int], words: int, x: int | None, ticks: int, read: int
    ) -> None: ...

def least_ticks(words: int, settle: int, read: int) -> int: ...
def layout(words: int, ticks: int, settle: int, sample: int) -> Layout: ...
def plain(ticks: int, read: int) -> Layout: ...
def pulsed(ticks: int, read: int) -> Layout: ...
def counted_pulse(lead: int, high: int, rest: int, read: int) -> list[int]: ...
def looped_pulse(spare: int, tail: Sequence[int]) -> list[int]: ...
def delay(ticks: int) -> int: ...
def shared(ticks: int, parts: int) -> list[int]: ...
def fixed_loop(ticks: int) -> tuple[int, int, int]: ...
