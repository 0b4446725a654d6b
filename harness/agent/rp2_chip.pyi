"""Types of ``rp2_chip.py``, which itself keeps to what MicroPython understands."""

from collections.abc import Iterable, Sequence
from typing import Any, Final

from .faces import BusFace

CHIP_ID: Final = 0x40000000
RP2040_ID: Final = 0x0002927
RP2350_ID: Final = 0x0004927
PIO: Final = 0x50200000
PIO_CTRL: Final[int]
PIO_FSTAT: Final[int]
PIO_FDEBUG: Final[int]
PIO_FLEVEL: Final[int]
PIO_TXF: Final[int]
PIO_RXF: Final[int]
PIO_MEMORY: Final[int]
SM_CLKDIV: Final[int]
SM_EXECCTRL: Final[int]
SM_SHIFTCTRL: Final[int]
SM_ADDR: Final[int]
SM_INSTR: Final[int]
SM_PINCTRL: Final[int]
SM_STATE: Final[tuple[int, ...]]
SM_ENABLE: Final = 1
SM_RESTART: Final[int]
TX_EMPTY: Final[int]
RX_EMPTY: Final[int]
STALLED: Final[int]
DMA: Final = 0x50000000
DMA_STRIDE: Final = 0x40
DMA_READ: Final = 0x00
DMA_WRITE: Final = 0x04
DMA_COUNT: Final = 0x08
DMA_CTRL: Final = 0x10
DMA_START: Final[int]
DMA_ABORT: Final[int]
DMA_ON: Final[int]
DMA_BUSY: Final[int]
STEP_READ: Final[int]
STEP_WRITE: Final[int]
READ_PAIR: Final[int]
WRITE_FOUR: Final[int]
PACE_TX: Final[int]
PACE_RX: Final[int]
PACE_NONE: Final[int]
SEND: Final[int]
SEND_CTRL: Final[int]
GET: Final[int]
GET_CTRL: Final[int]
CHANNELS: Final[tuple[int, ...]]
IO_CTRL: Final = 0x40014004
PADS: Final = 0x4001C004
PAD_IN: Final[int]
PAD_OFF: Final[int]
PAD_UP: Final[int]
PAD_DOWN: Final[int]
FUNCTION_PIO: Final = 6
GPIO_IN: Final = 0xD0000004
PULL_WAIT_US: Final = 20
SET_BITS: Final = 0x2000
CLEAR_BITS: Final = 0x3000

class Bus:
    machine: Any
    memory: Any
    def __init__(self) -> None: ...
    def chip_id(self) -> int: ...
    def read(self, address: int) -> int: ...
    def write(self, address: int, value: int) -> None: ...
    def room(self, count: int) -> tuple[Any, int]: ...
    def frequency(self) -> int: ...
    def serial(self) -> str: ...
    def measure(self, number: int) -> int: ...
    def idle(self) -> None: ...
    def pause(self, us: int) -> None: ...

def refuse_other_chips(bus: BusFace) -> None: ...
def channel(number: int) -> int: ...
def found_state(bus: BusFace, numbers: Iterable[int]) -> list[tuple[int, int]]: ...
def pulled(bus: BusFace, number: int, pull: int) -> int: ...
def floating_pins(bus: BusFace, numbers: Sequence[int], mask: int) -> int: ...
