"""Faults that a slot of a virtual rack can be given. Values only.

Net names are those of the design's netlist (``q[2]``, ``carry``); pin names are the chip's.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class NetStuck:
    """A net of one design holds 0 or 1. ``probability`` < 1 makes it intermittent, per cycle."""

    design: str
    net: str
    level: int
    probability: float = 1.0
    seed: int = 1


@dataclass(frozen=True)
class OutputStuck:
    """A chip output pin holds 0 or 1 whatever the design drives. Per cycle, as above."""

    pin: str
    level: int
    probability: float = 1.0
    seed: int = 1


@dataclass(frozen=True)
class NetBridge:
    """Two nets of one design are shorted; both carry the AND (``wired_and``) or the OR."""

    design: str
    net_a: str
    net_b: str
    wired_and: bool = True


@dataclass(frozen=True)
class SlowPath:
    """Above ``limit_hz`` cycles a second the net still shows its value of one cycle before."""

    design: str
    net: str
    limit_hz: float


ChipDefect = NetStuck | OutputStuck | NetBridge | SlowPath


@dataclass(frozen=True)
class OpenPin:
    """The chip pin does not reach the controller: both sides float.

    ``loose``: only until the chip is seated again.
    """

    pin: str
    loose: bool = False


@dataclass(frozen=True)
class SwappedPins:
    """Two chip pins are connected to each other's controller pin."""

    pin_a: str
    pin_b: str


@dataclass(frozen=True)
class NoClock:
    """The clock line does not reach the chip, which sees it low."""


BoardFault = OpenPin | SwappedPins | NoClock


@dataclass(frozen=True)
class BitErrors:
    """Each bit on the wire flips with this probability, both ways."""

    rate: float
    seed: int = 1


@dataclass(frozen=True)
class DroppedBytes:
    """Each byte on the wire is lost with this probability, both ways."""

    rate: float
    seed: int = 1


@dataclass(frozen=True)
class Stall:
    """After ``at_byte`` bytes (both ways together) nothing moves for ``seconds``."""

    at_byte: int
    seconds: float


@dataclass(frozen=True)
class Unplug:
    """The port goes away after ``at_byte`` bytes (both ways together), and the power with it.

    With ``back_after_s`` above 0 the same port is there again after so many seconds.
    """

    at_byte: int
    back_after_s: float = 0.0


@dataclass(frozen=True)
class Hang:
    """After ``at_byte`` bytes (both ways together) the board is dead until its power is cycled."""

    at_byte: int


LinkFault = BitErrors | DroppedBytes | Stall | Unplug | Hang
