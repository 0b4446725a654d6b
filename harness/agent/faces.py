"""What the agent asks of the modules around it, for type checkers and for readers.

Types only: no board ever sees this file.
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
"""Words that the emitter is to hold by their address, in a register."""
Bytes = bytes | bytearray | memoryview
Vector = Sequence[int]
"""Drive, enable, pulse, expect, care."""


class AnyPins(Protocol):
    """What the engine asks of every pins module.

    ``idle`` is to be called while cycles go on, every 50 ms or oftener: it tells the host that
    the board is busy, and raises to end the work.
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
        """Vectors of a block that suit the controller's memory."""

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
        """Microseconds measured in cycles since the last call; 0 if they are as ``timing`` said."""

    def sense(self, numbers: Sequence[int], /) -> list[int | None]:
        """What these controller pins measure, 0 to 65535; None where nothing can be told."""

    def release(self) -> None:
        """Stop driving."""


class PacedPins(AnyPins, Protocol):
    """Pins whose every cycle is software's business; a whole burst crosses at once."""

    exact: Literal[False]

    def run(self, block: Block, count: int, seen: Words, floating: Words, /) -> None:
        """Run the first ``count`` vectors; fill as many words of ``seen`` and ``floating``."""


class ExactPins(AnyPins, Protocol):
    """Pins that hardware moves: they cut a block into bursts and hand back what was read."""

    exact: Literal[True]

    def limits(self) -> dict[str, int]:
        """What a single burst can be: ``tick_ns``, ``captured``, ``words``."""

    def perform(self, engine: Engine, count: int, /) -> None:
        """Run the first ``count`` rows of the engine's block; ``judge`` gets what was read."""


PinsFace = PacedPins | ExactPins


class RoomFace(Protocol):
    """Where a plan takes memory that the hardware can read."""

    def room(self, count: int, /) -> tuple[Any, int]:
        """Take ``count`` words; return them and their address, a multiple of eight."""


class CycleFace(Protocol):
    """A cycle of exact pins, worked out."""

    ticks: int
    """How long it takes."""
    read: int
    """When the outputs are read, from the last edge on."""


class PlanFace(Protocol):
    """What cuts a block into bursts of exact pins; it drives nothing."""

    cycles: int
    """Cycles of the burst that was laid out last."""
    why: str
    """What ended that burst."""

    def lay_out(
        self, block: Block, start: tuple[int, int], table: Sequence[int], span: tuple[int, ...], /
    ) -> tuple[int, int]:
        """Lay out a burst from ``start`` on, (row, repetition); gives where it ends."""


class BusFace(RoomFace, Protocol):
    """How a pins module reaches registers."""

    def chip_id(self) -> int:
        """The controller's identity register; 0 where it cannot be one that is known."""

    def read(self, address: int, /) -> int:
        """Read a register."""

    def write(self, address: int, value: int, /) -> None:
        """Write a register."""

    def frequency(self) -> int:
        """The system clock in Hz."""

    def serial(self) -> str:
        """The controller's unique number."""

    def measure(self, number: int, /) -> int:
        """What an analogue pin measures, 0 to 65535."""

    def idle(self) -> None:
        """Let a little time pass."""

    def pause(self, us: int, /) -> None:
        """Let ``us`` microseconds pass."""


class PortFace(Protocol):
    """What the server asks of the board's serial port."""

    @property
    def chunk(self) -> bytearray:
        """Where ``read`` puts bytes."""

    def read(self) -> int:
        """Wait for bytes; return how many."""

    def ready(self) -> bool:
        """Whether bytes are waiting."""

    def write(self, data: bytes, /) -> None:
        """Send all bytes."""

    def begin(self) -> None:
        """A command begins."""

    def overdue(self) -> bool:
        """Whether the host should hear that work goes on."""
