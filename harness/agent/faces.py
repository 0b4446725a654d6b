"""What the agent asks of the modules around it, for type checkers and for readers.

Types only: no board ever sees this file.
"""

from __future__ import annotations

from array import array
from collections.abc import Sequence
from typing import TYPE_CHECKING, Protocol

if TYPE_CHECKING:
    from harness.agent.codec import Block


class PinsFace(Protocol):
    """What the engine asks of a pins module; a whole burst crosses it at once."""

    @property
    def name(self) -> str:
        """The backend's name, as in a board profile."""

    @property
    def exact(self) -> bool:
        """Whether hardware times every cycle."""

    def serial(self) -> str:
        """The board's serial number."""

    def bind(self, numbers: Sequence[int], /) -> None:
        """Take these controller pins, bit 0 first, all as inputs."""

    def timing(self, period_ns: int, settle_ns: int, sample_ns: int, /) -> tuple[int, int]:
        """Set the time of a cycle; it will be (first / second) ns.

        Outputs are read ``sample_ns`` after the last edge, or as late as the cycle allows (0).
        """

    def run(
        self, block: Block, at: int, count: int, seen: array[int], floating: array[int], /
    ) -> None:
        """Run ``count`` vectors from ``at``; fill the first words of ``seen``, ``floating``."""

    def until(self, vector: Sequence[int], limit: int, /) -> tuple[int, int, bool]:
        """Repeat (drive, enable, pulse, expect, care) until it matches, at most ``limit`` times.

        Returns cycles used, last word read, whether it matched.
        """

    def took(self) -> int:
        """Microseconds measured in cycles since the last call; 0 if they are as ``timing`` said."""

    def sense(self) -> dict[str, float]:
        """Readings of sensors by name."""

    def release(self) -> None:
        """Stop driving."""


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
