"""Faults that a slot of a virtual rack can be given. Values only.

One rule: a kind is a class here, and a member of one of the three unions, which are the registry:
its name in a rack file is that of the class (``NetStuck`` is ``net-stuck``), its keys are the
fields, and the fields' types say what may stand there. Net names are those of the design's netlist
(``q[2]``, ``carry``); pin names are the chip's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Annotated, NamedTuple


@dataclass(frozen=True)
class Within:
    """From ``low`` to ``high``, both included."""

    low: float
    high: float


DesignName = Annotated[str, "design"]
NetName = Annotated[str, "net"]
PinName = Annotated[str, "pin"]
Level = Annotated[int, Within(0, 1)]
Share = Annotated[float, Within(0.0, 1.0)]
Seconds = Annotated[float, Within(0.0, 3600.0)]
Whole = Annotated[int, "positive"]
Positive = Annotated[float, "positive"]
Wired = Annotated[str, ("and", "or")]


class Force(NamedTuple):
    """What a net or pin is made to show: a level, in a share of all cycles; or late news.

    ``limit_hz`` is the rate above which it shows its value of one cycle before.
    """

    level: int = 0
    probability: float = 0.0
    seed: int = 0
    limit_hz: float = math.nan


@dataclass(frozen=True)
class ForcedNet:
    """A net of one design shows what it should not: ``force``."""

    design: DesignName
    net: NetName

    @property
    def force(self) -> Force:
        """What the net is made to show."""
        raise NotImplementedError


@dataclass(frozen=True)
class NetStuck(ForcedNet):
    """A net of one design holds 0 or 1. ``probability`` < 1 makes it intermittent, per cycle."""

    level: Level
    probability: Share = 1.0
    seed: int = 1

    @property
    def force(self) -> Force:
        """A level."""
        return Force(self.level, self.probability, self.seed)


@dataclass(frozen=True)
class OutputStuck:
    """A chip output pin holds 0 or 1 whatever the design drives. Per cycle, as above."""

    pin: PinName
    level: Level
    probability: Share = 1.0
    seed: int = 1


@dataclass(frozen=True)
class NetBridge:
    """Two nets of one design are shorted; both carry the AND or the OR, as they are ``wired``."""

    design: DesignName
    net_a: NetName
    net_b: NetName
    wired: Wired = "and"


@dataclass(frozen=True)
class SlowPath(ForcedNet):
    """Above ``limit_hz`` cycles a second the net still shows its value of one cycle before."""

    limit_hz: Positive

    @property
    def force(self) -> Force:
        """News that come late."""
        return Force(limit_hz=self.limit_hz)


ChipDefect = NetStuck | OutputStuck | NetBridge | SlowPath


@dataclass(frozen=True)
class OpenPin:
    """The chip pin does not reach the controller: both sides float.

    ``loose``: only until the chip is seated again.
    """

    pin: PinName
    loose: bool = False


@dataclass(frozen=True)
class SwappedPins:
    """Two chip pins are connected to each other's controller pin."""

    pin_a: PinName
    pin_b: PinName


@dataclass(frozen=True)
class NoClock:
    """The clock line does not reach the chip, which sees it low."""


BoardFault = OpenPin | SwappedPins | NoClock


@dataclass(frozen=True)
class BitErrors:
    """Each bit on the wire flips with this probability, both ways."""

    rate: Share
    seed: int = 1


@dataclass(frozen=True)
class DroppedBytes:
    """Each byte on the wire is lost with this probability, both ways."""

    rate: Share
    seed: int = 1


@dataclass(frozen=True)
class Stall:
    """After ``at_byte`` bytes (both ways together) nothing moves for ``seconds``."""

    at_byte: Whole
    seconds: Positive


@dataclass(frozen=True)
class Unplug:
    """The port goes away after ``at_byte`` bytes (both ways together), and the power with it.

    With ``back_after_s`` above 0 the same port is there again after so many seconds.
    """

    at_byte: Whole
    back_after_s: Seconds = 0.0


@dataclass(frozen=True)
class Hang:
    """After ``at_byte`` bytes (both ways together) the board is dead until its power is cycled."""

    at_byte: Whole


LinkFault = BitErrors | DroppedBytes | Stall | Unplug | Hang
