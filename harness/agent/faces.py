"""The interfaces between the agent's modules, for type checkers and readers.

Types only: this file never goes to a board.
"""

from __future__ import annotations

from array import array
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any, Literal, Protocol, TypeAlias

if TYPE_CHECKING:
    from harness.agent.codec import Block
    from harness.agent.engine import Engine

Words: TypeAlias = "array[int]"
"""Unsigned, 32 bits each."""
Table = Words
"""Words whose address the viper emitter keeps in a register."""
Bytes = bytes | bytearray | memoryview
Vector = Sequence[int]
"""Drive, enable, pulse, expect, care."""


class AnyPins(Protocol):
    """The interface of every pins module.

    Call ``idle`` between cycles, at least every 50 ms: it tells the host that the board is busy,
    and raises to end the work.
    """

    idle: Callable[[], None] | None

    @property
    def name(self) -> str:
        """The backend's name, as in a board profile."""

    @property
    def bursts(self) -> int:
        """How often hardware has started the clock; 0 where software paces every cycle."""

    @property
    def rows(self) -> int:
        """Maximum number of vectors of a block, by the controller's memory."""

    def serial(self) -> str:
        """The board's serial number."""

    def bind(self, numbers: Sequence[int], /) -> None:
        """Take these controller pins, bit 0 first, all as inputs."""

    def timing(self, period_ns: int, settle_ns: int, sample_ns: int, /) -> tuple[int, int]:
        """Set the time of a cycle; it will be (first / second) ns.

        Outputs are read ``sample_ns`` after the last edge, or as late as the cycle allows (0).
        """

    def until(self, vector: Vector, limit: int, /) -> tuple[int, int, bool]:
        """Repeat (drive, enable, pulse, expect, care) until it matches, at most ``limit`` times.

        Returns cycles used, last word read, whether it matched.
        """

    def took(self) -> int:
        """Microseconds measured in cycles since the last call; 0 if as ``timing`` returned."""

    def sense(self, numbers: Sequence[int], /) -> list[int | None]:
        """The readings of these controller pins, 0 to 65535; None for one that cannot be read."""

    def release(self) -> None:
        """Stop driving."""


class PacedPins(AnyPins, Protocol):
    """Pins that software paces; a whole burst is passed at once."""

    exact: Literal[False]
    also: int
    """Pins to read besides those that a row tests, as a word; set before each run."""

    def run(self, block: Block, count: int, seen: Words, floating: Words, /) -> None:
        """Run the first ``count`` vectors; fill as many words of ``seen`` and ``floating``."""


class ExactPins(AnyPins, Protocol):
    """Pins that hardware drives: they cut a block into bursts and return the words read."""

    exact: Literal[True]

    def limits(self) -> dict[str, int]:
        """The limits of a single burst: ``clock_hz``, ``captured``, ``words``."""

    def perform(self, engine: Engine, count: int, /) -> None:
        """Run the first ``count`` rows of the engine's block; pass the words to ``judge``."""

    def clock_on(self, engine: Engine, /) -> None:
        """Run the first row of the engine's block as often as it says; judge nothing."""


PinsFace = PacedPins | ExactPins


class RoomFace(Protocol):
    """A source of memory that the hardware can read."""

    def room(self, count: int, /) -> tuple[Any, int]:
        """Allocate ``count`` words; return them and their address, a multiple of eight."""


class CycleFace(Protocol):
    """A cycle of exact pins."""

    ticks: int
    """Its length."""
    read: int
    """When the outputs are read, in ticks after the last edge."""


class PlanFace(Protocol):
    """Cuts a block into bursts of exact pins; drives nothing."""

    cycles: int
    """Cycles of the last burst laid out."""
    why: str
    """What ended that burst."""

    def lay_out(
        self, block: Block, start: tuple[int, int], table: Sequence[int], span: tuple[int, ...], /
    ) -> tuple[int, int]:
        """Lay out a burst from ``start``, (row, repetition); return where it ends."""


class BusFace(RoomFace, Protocol):
    """A pins module's access to registers."""

    def chip_id(self) -> int:
        """The controller's identity register; 0 where it must not be read."""

    def read(self, address: int, /) -> int:
        """Read a register."""

    def write(self, address: int, value: int, /) -> None:
        """Write a register."""

    def put(self, pairs: Words, count: int, /) -> None:
        """Write ``count`` registers, each an address and a value in ``pairs``."""

    def window(self, address: int, /) -> Any:
        """Registers from an address on, as ``ptr32`` takes them."""

    def frequency(self) -> int:
        """The system clock in Hz."""

    def serial(self) -> str:
        """The controller's unique number."""

    def measure(self, number: int, /) -> int:
        """The reading of an analogue pin, 0 to 65535."""

    def idle(self) -> None:
        """Let a little time pass."""

    def pause(self, us: int, /) -> None:
        """Let ``us`` microseconds pass."""


class PortFace(Protocol):
    """The interface of the board's serial port."""

    @property
    def chunk(self) -> Bytes:
        """The buffer of ``read``."""

    def read(self, wanted: int, /) -> int:
        """Wait for at most ``wanted`` bytes, which will surely come; return their number."""

    def ready(self) -> bool:
        """Whether bytes are waiting."""

    def write(self, data: bytes, /) -> None:
        """Send all bytes."""

    def begin(self) -> None:
        """Note that a command begins."""

    def overdue(self) -> bool:
        """Whether it is time to tell the host that work goes on."""
