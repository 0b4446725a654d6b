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
Per = Annotated[str, ("cycle", "run")]
OutputName = Annotated[str, "output"]
PinNames = Annotated[tuple[str, ...], "pins"]
AddressBit = Annotated[int, Within(0, 15)]


@dataclass(frozen=True, kw_only=True)
class Intermittent:
    """In force in a share of all cycles, or of all runs; which ones depends on ``seed`` alone.

    A run is a table once, or a selection.
    """

    probability: Share = 1.0
    per: Per = "cycle"
    seed: int = 1


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
class OutputStuck(Intermittent):
    """A chip output pin holds 0 or 1 whatever the design drives."""

    pin: OutputName
    level: Level


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


@dataclass(frozen=True)
class DeadPad(Intermittent):
    """A pad of the chip drives nothing, and every design reads ``level`` there."""

    pin: PinName
    level: Level = 0


@dataclass(frozen=True)
class NeverLow(Intermittent):
    """An output floats where it should be low, like an open drain that never pulls."""

    pin: OutputName


@dataclass(frozen=True)
class NeverHigh(Intermittent):
    """An output floats where it should be high."""

    pin: OutputName


@dataclass(frozen=True)
class SelectBitStuck:
    """A bit of the chip's selection register holds a level; bit 0 is the least significant."""

    bit: AddressBit
    level: Level


@dataclass(frozen=True)
class OtherShuttle:
    """The chip is of another shuttle: each design is ``shift`` addresses further on."""

    shift: Whole


ChipDefect = (
    NetStuck
    | OutputStuck
    | NetBridge
    | SlowPath
    | DeadPad
    | NeverLow
    | NeverHigh
    | SelectBitStuck
    | OtherShuttle
)


@dataclass(frozen=True)
class OpenPin(Intermittent):
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
class MovedPins:
    """Each of these chip pins is on the controller pin of the next, the last on that of the first.

    Several of these make any other map of pins.
    """

    pins: PinNames


@dataclass(frozen=True)
class StuckPin(Intermittent):
    """The line of a pin is held at a level between controller and chip, for both."""

    pin: PinName
    level: Level


@dataclass(frozen=True)
class ShortedPins(Intermittent):
    """The lines of two pins are shorted; drivers that differ come to the AND or the OR."""

    pin_a: PinName
    pin_b: PinName
    wired: Wired = "and"


@dataclass(frozen=True)
class TurnedChip:
    """The chip is seated the wrong way round: the order of its pins is reversed."""


@dataclass(frozen=True)
class NoClock:
    """The clock line does not reach the chip, which sees it low."""


@dataclass(frozen=True)
class NoSupply:
    """The chip has no supply: it drives nothing and draws nothing."""


BoardFault = (
    OpenPin | SwappedPins | MovedPins | StuckPin | ShortedPins | TurnedChip | NoClock | NoSupply
)


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
