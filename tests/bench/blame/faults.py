"""Faults to inject, drawn by a seed, with the truth about each.

The one rule: what is true is written here by hand, class by class; nothing of it comes from the
code that predicts.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

from harness.netlist import load_netlist
from harness.records import CauseKind
from harness.shuttle import Design, Direction, Shuttle
from harness.virtual import faults as f
from tests.bench.blame.odd import ODD, Odd

K = CauseKind
WIRING = frozenset(
    {K.OPEN, K.OPEN_NEIGHBOURS, K.STUCK, K.DEAD_PAD, K.NO_CLOCK, K.RESET_HELD, K.RESET_NEVER}
)


@dataclass(frozen=True)
class Fault:
    """One fault of a slot. ``kinds`` are the kinds that name it, ``pins`` those they must name.

    ``design`` is set where it is a defect of one design; ``odd`` what no hypothesis describes.
    ``chip``: it belongs to the chip, and goes where that goes. ``flaky``: only at times.
    ``lacks``: the one level that the pin never drives; each table that asks for it shows the fault.
    """

    label: str
    kinds: frozenset[CauseKind]
    pins: tuple[str, ...] = ()
    designs: tuple[str, ...] = ()
    defects: tuple[f.ChipDefect, ...] = ()
    board: tuple[f.BoardFault, ...] = ()
    odd: Odd | None = None
    chip: bool = False
    flaky: bool = False
    lacks: int | None = None

    def __str__(self) -> str:
        return f"{self.label}({', '.join((*self.pins, *self.designs))})"


class Dealer:
    """Draws faults of a shuttle."""

    def __init__(self, shuttle: Shuttle, rng: random.Random) -> None:
        self.shuttle, self.rng = shuttle, rng
        by = {d: [p.name for p in shuttle.pins if p.direction is d] for d in Direction}
        self.ins, self.outs = by[Direction.INPUT], by[Direction.OUTPUT]
        self.ios = by[Direction.BIDIRECTIONAL]
        self.data = [*self.ins, *self.outs, *self.ios]

    def known(self) -> Fault:
        """Draw a fault of a kind that hypotheses describe."""
        return self.rng.choice(list(KNOWN.values()))(self)

    def unknown(self) -> Fault:
        """Draw a fault of the board of a kind that none describes."""
        odd = self.rng.choice(ODD)(self.rng, self.ins, self.outs)
        return Fault(f"odd {odd.label}", frozenset(), odd.pins, odd=odd)

    def defect(self) -> Fault:
        """Draw a stuck net of one design."""
        return _net(self)

    def board_of_all(self) -> Fault:
        """Draw a fault that all boards of a rack may have."""
        return self.rng.choice((_open, _exchange, _map))(self)

    def pair(self) -> tuple[str, str]:
        """Draw two pins, neighbours more often than not."""
        if self.rng.random() < 0.6:
            k = self.rng.randrange(len(self.data) - 1)
            return self.data[k], self.data[k + 1]
        a, b = self.rng.sample(self.data, 2)
        return a, b

    def net(self) -> tuple[Design, str]:
        """Draw a named net of a design."""
        design = self.rng.choice([d for d in self.shuttle.designs if d.netlist])
        return design, self.rng.choice(nets(design))


def nets(design: Design) -> list[str]:
    """The named nets of a design."""
    assert design.netlist is not None
    return _names(design.netlist, design.top)


@lru_cache(maxsize=64)
def _names(path: Path, top: str) -> list[str]:
    return [name for name in load_netlist(path, top).names if name and not name.startswith("$")]


def _open(d: Dealer) -> Fault:
    pin = d.rng.choice([*d.data, "nreset"])
    return Fault("open", WIRING, (pin,), board=(f.OpenPin(pin),))


def _stuck(d: Dealer) -> Fault:
    pin, level = d.rng.choice(d.data), d.rng.randrange(2)
    return Fault("stuck", WIRING, (pin,), board=(f.StuckPin(pin, level),))


def _short(d: Dealer) -> Fault:
    a, b = d.pair()
    wired = d.rng.choice(("and", "or"))
    return Fault("short", frozenset({K.SHORT}), (a, b), board=(f.ShortedPins(a, b, wired),))


def _exchange(d: Dealer) -> Fault:
    a, b = d.pair()
    return Fault("exchange", frozenset({K.EXCHANGED}), (a, b), board=(f.SwappedPins(a, b),))


def _neighbours(d: Dealer) -> Fault:
    k, n = d.rng.randrange(len(d.data) - 3), d.rng.choice((2, 3))
    pins = tuple(d.data[k : k + n])
    board = tuple(f.OpenPin(pin) for pin in pins)
    return Fault("neighbours open", frozenset({K.OPEN_NEIGHBOURS}), pins, board=board)


def _clock(_: Dealer) -> Fault:
    return Fault("no clock", WIRING, ("clk",), board=(f.NoClock(),))


def _reset(d: Dealer) -> Fault:
    level = d.rng.randrange(2)
    return Fault(f"reset at {level}", WIRING, ("nreset",), board=(f.StuckPin("nreset", level),))


_SELECTION = frozenset({K.SELECTION, K.SELECTION_BIT, K.NO_SUPPLY})


def _select_wire(d: Dealer) -> Fault:
    pin = d.rng.choice(("seld", "selc"))
    fault = d.rng.choice((f.OpenPin(pin), f.StuckPin(pin, 0), f.StuckPin(pin, 1)))
    return Fault("selection wire", _SELECTION, (pin,), board=(fault,))


def _select_bit(d: Dealer) -> Fault:
    defect = f.SelectBitStuck(d.rng.randrange(5), d.rng.randrange(2))
    return Fault("selection bit", _SELECTION, defects=(defect,), chip=True)


def _supply(_: Dealer) -> Fault:
    return Fault("no supply", _SELECTION, board=(f.NoSupply(),))


def _map(d: Dealer) -> Fault:
    pins = d.rng.choice((d.ins, d.outs))
    if d.rng.random() < 0.5:
        board: tuple[f.BoardFault, ...] = (f.MovedPins(tuple(pins)),)
    else:
        halves = zip(pins[: len(pins) // 2], pins[::-1], strict=False)
        board = tuple(f.SwappedPins(a, b) for a, b in halves)
    return Fault("pin map", frozenset({K.OTHER_MAP}), board=board)


def _turned(_: Dealer) -> Fault:
    return Fault("turned", frozenset({K.TURNED, K.NO_SUPPLY}), board=(f.TurnedChip(),))


def _shuttle(d: Dealer) -> Fault:
    defect = f.OtherShuttle(d.rng.choice((1, 2)))
    return Fault("other shuttle", frozenset({K.OTHER_SHUTTLE}), defects=(defect,), chip=True)


def _flaky(d: Dealer) -> Fault:
    pin = d.rng.choice(d.data)
    per = d.rng.choice(("cycle", "run"))
    share = d.rng.choice((0.3, 0.1, 0.03, 0.01)) if per == "cycle" else d.rng.choice((0.3, 0.5))
    fault = f.OpenPin(pin, probability=share, per=per, seed=d.rng.randrange(1 << 30))
    kinds = frozenset({K.FLAKY_CONTACT})
    return Fault("flaky contact", kinds, (pin,), board=(fault,), flaky=True)


def _pad(d: Dealer) -> Fault:
    pin = d.rng.choice([*d.outs, *d.ins])
    if pin in d.outs and d.rng.random() < 0.5:
        defect: f.ChipDefect = f.OutputStuck(pin, d.rng.randrange(2))
    else:
        defect = f.DeadPad(pin, d.rng.randrange(2))
    return Fault("dead pad", WIRING, (pin,), defects=(defect,), chip=True)


def _one_level(d: Dealer) -> Fault:
    pin, level = d.rng.choice([*d.outs, *d.ios]), d.rng.randrange(2)
    defect = f.NeverHigh(pin) if level else f.NeverLow(pin)
    kinds = frozenset({K.ONE_LEVEL_PAD})
    return Fault("one level", kinds, (pin,), defects=(defect,), chip=True, lacks=level)


def _net(d: Dealer) -> Fault:
    design, net = d.net()
    defect = f.NetStuck(design.name, net, d.rng.randrange(2))
    return _defect("net stuck", design.name, defect)


def _bridge(d: Dealer) -> Fault:
    design, net = d.net()
    other = d.rng.choice([n for n in nets(design) if n != net] or [net])
    defect = f.NetBridge(design.name, net, other, d.rng.choice(("and", "or")))
    return _defect("bridge", design.name, defect)


def _slow(d: Dealer) -> Fault:
    design, net = d.net()
    return _defect("slow path", design.name, f.SlowPath(design.name, net, 1000.0))


def _flaky_net(d: Dealer) -> Fault:
    design, net = d.net()
    share = d.rng.choice((0.5, 0.05, 0.01))
    defect = f.NetStuck(design.name, net, d.rng.randrange(2), share, d.rng.randrange(1 << 30))
    return replace(_defect("flaky net", design.name, defect), flaky=True)


def _two_designs(d: Dealer) -> Fault:
    first, second = _net(d), _net(d)
    while second.designs == first.designs:
        second = _net(d)
    designs, defects = first.designs + second.designs, first.defects + second.defects
    return Fault("two designs", frozenset(), (), designs, defects, chip=True)


def _defect(label: str, design: str, defect: f.ChipDefect) -> Fault:
    return Fault(label, frozenset(), (), (design,), (defect,), chip=True)


KNOWN: Mapping[str, Callable[[Dealer], Fault]] = {
    "open": _open,
    "stuck": _stuck,
    "short": _short,
    "exchange": _exchange,
    "neighbours open": _neighbours,
    "no clock": _clock,
    "reset": _reset,
    "selection wire": _select_wire,
    "selection bit": _select_bit,
    "no supply": _supply,
    "pin map": _map,
    "turned": _turned,
    "other shuttle": _shuttle,
    "flaky contact": _flaky,
    "dead pad": _pad,
    "one level": _one_level,
    "net stuck": _net,
    "bridge": _bridge,
    "slow path": _slow,
    "flaky net": _flaky_net,
    "two designs": _two_designs,
}
