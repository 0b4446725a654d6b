"""Everything that may be wrong between a controller and the designs of a chip, one thing at a time.

The one rule: a hypothesis is a lane of the engine, and for each design of the shuttle the one that
answers in its place. Nothing here is shared with the faults of virtual boards: predictions that
came from the same code as the truth would prove nothing.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations, pairwise

from harness.board import BoardProfile
from harness.netlist import HEALTHY, Kind, Lane, Short
from harness.records import CauseKind
from harness.rehearse.selection import Answering, always, answering, shifted, stuck_bits
from harness.shuttle import Direction, Pin, Shuttle

DISTANT = 1 / 15
"""How much less probable it is that two pins are involved which are not neighbours."""
LEVELS = ("low", "high")
WIRED = {"and": Kind.AND, "or": Kind.OR}
SHIFTS = (-2, -1, 1, 2)
"""By how much the addresses of another shuttle are taken to differ."""
_RUNS = (2, 3)
"""Numbers of neighbouring pins that are taken to be open together."""
_GROUPS = (Direction.INPUT, Direction.OUTPUT, Direction.BIDIRECTIONAL)


_WORDS = {
    CauseKind.NO_CLOCK: "open",
    CauseKind.RESET_HELD: "stuck",
    CauseKind.RESET_NEVER: "stuck",
    CauseKind.SHORT: "shorted",
    CauseKind.SELECTION: "dead:",
}


@dataclass(frozen=True)
class Hypothesis:
    """One thing that may be wrong, or nothing (``CauseKind.GOOD``).

    ``pins`` are chip pins; ``detail`` is a level, a kind of short, a map or an address, in words.
    ``prior`` is its probability in one slot before anything was seen.
    """

    kind: CauseKind
    pins: tuple[str, ...] = ()
    detail: str = ""
    prior: float = 1.0

    def __str__(self) -> str:
        """Name a fault of pins: ``in0 and in1 exchanged``, ``out3 stuck high``."""
        return " ".join(
            (" and ".join(self.pins), _WORDS.get(self.kind, self.kind), self.detail)
        ).strip()


@dataclass(frozen=True)
class Trial:
    """How a hypothesis shows: on the lines of the board, and in which design answers.

    ``answers`` gives the design that answers for each design selected (empty: none does); None
    where it is always the selected one.
    """

    hypothesis: Hypothesis
    lane: Lane = HEALTHY
    answers: Answering | None = None

    def answering(self, design: str) -> str:
        """Name the design that answers when this one is selected; empty if none does."""
        return design if self.answers is None else self.answers[design]


def trials(shuttle: Shuttle, profile: BoardProfile | None = None) -> tuple[Trial, ...]:
    """Enumerate the hypotheses of a shuttle on a board, a board in order first.

    Without a profile nothing is supposed about the selection, and neighbours are those of the
    shuttle's order of pins.
    """
    known: dict[tuple[CauseKind, tuple[str, ...], str], Trial] = {}
    for trial in _Board(shuttle, profile).trials():
        found = trial.hypothesis
        known.setdefault((found.kind, found.pins, found.detail), trial)
    return tuple(known.values())


def neighbours(shuttle: Shuttle, profile: BoardProfile | None = None) -> list[list[Pin]]:
    """Return the pins in the orders in which they lie beside each other."""
    orders = [list(shuttle.pins)]
    if profile is not None:
        orders.append(sorted(shuttle.pins, key=lambda pin: profile.pins[pin.name]))
    return orders


class _Board:
    """The enumeration, kind by kind."""

    def __init__(self, shuttle: Shuttle, profile: BoardProfile | None) -> None:
        self._shuttle = shuttle
        self._profile = profile
        self._orders = neighbours(shuttle, profile)
        self._near = {frozenset(pair) for order in self._orders for pair in pairwise(order)}
        self._selects = shuttle.mask(Direction.SELECT)
        self._pins = [p for p in shuttle.pins if p.direction is not Direction.SELECT]

    def trials(self) -> Iterator[Trial]:
        """All of them; one that is there already may come again."""
        yield Trial(Hypothesis(CauseKind.GOOD))
        for pin in self._pins:
            yield from self._of_pin(pin)
        for pair in combinations(self._shuttle.pins, 2):
            yield from self._of_pair(*pair)
        yield from self._open_together()
        yield from self._selection()
        nothing = always(self._shuttle, "")
        yield Trial(self._named(CauseKind.NO_SUPPLY), HEALTHY, nothing)
        yield from self._maps()

    def _of_pin(self, pin: Pin) -> Iterator[Trial]:
        clock, reset = (pin.direction is d for d in (Direction.CLOCK, Direction.RESET))
        kind = CauseKind.NO_CLOCK if clock else CauseKind.OPEN
        yield Trial(self._named(kind, "", pin), Lane(wires=((pin.bit, None),)))
        for level, word in enumerate(LEVELS):
            kind = CauseKind.STUCK
            if reset:
                active = int(not self._shuttle.reset_active_low)
                kind = CauseKind.RESET_HELD if level == active else CauseKind.RESET_NEVER
            yield Trial(self._named(kind, word, pin), Lane(lines=((pin.bit, level),)))

    def _of_pair(self, a: Pin, b: Pin) -> Iterator[Trial]:
        near = frozenset((a, b)) in self._near
        selects = bool((a.mask | b.mask) & self._selects)
        if selects and (self._profile is None or not near):
            return
        share = 1.0 if near else DISTANT
        lane = Lane(wires=((a.bit, b.bit), (b.bit, a.bit)))
        yield self._traced(self._named(CauseKind.EXCHANGED, "", a, b, share=share), lane)
        for word, wired in WIRED.items():
            if selects and wired is Kind.OR:
                continue  # where it shows at all, the table's own rows change the address
            lane = Lane(shorts=(Short(a.bit, b.bit, wired),))
            yield self._traced(self._named(CauseKind.SHORT, word, a, b, share=share), lane)

    def _open_together(self) -> Iterator[Trial]:
        for order in self._orders:
            for length in _RUNS:
                for first in range(len(order) - length + 1):
                    run = order[first : first + length]
                    if all(pin in self._pins for pin in run):
                        lane = Lane(wires=tuple((pin.bit, None) for pin in run))
                        yield Trial(self._named(CauseKind.OPEN_NEIGHBOURS, "", *run), lane)

    def _selection(self) -> Iterator[Trial]:
        """Wires of the selection, its bits, and addresses that mean other designs."""
        if self._profile is None:
            return
        select, shuttle = self._profile.select, self._shuttle
        for pin in shuttle.pins:
            if pin.direction is Direction.SELECT:
                yield from self._dead_wire(pin)
        for detail, answers in stuck_bits(select, shuttle):
            yield Trial(self._named(CauseKind.SELECTION_BIT, detail), HEALTHY, answers)
        for by in SHIFTS:
            named = self._named(CauseKind.OTHER_SHUTTLE, _further(by))
            yield Trial(named, HEALTHY, shifted(shuttle, by))

    def _dead_wire(self, pin: Pin) -> Iterator[Trial]:
        """Open or held; where the chip then keeps the address that it had, one trial for each."""
        assert self._profile is not None
        lanes = {"open": Lane(wires=((pin.bit, None),))}
        lanes |= {word: Lane(lines=((pin.bit, k),)) for k, word in enumerate(LEVELS)}
        for word, lane in lanes.items():
            answers = answering(self._profile.select, self._shuttle, lane)
            if answers is not None:
                yield Trial(self._named(CauseKind.SELECTION, word, pin), lane, answers)
                continue
            for name in ("", *(design.name for design in self._shuttle.designs)):
                named = self._named(CauseKind.SELECTION, f"{name or 'no design'} answers", pin)
                yield Trial(named, HEALTHY, always(self._shuttle, name))

    def _maps(self) -> Iterator[Trial]:
        """The chip turned round, and maps of pins that other boards may have."""
        mirrored = _moved(self._shuttle.pins, self._shuttle.pins[::-1])
        yield self._traced(self._named(CauseKind.TURNED), Lane(wires=mirrored))
        mirrored = _moved(self._pins, self._pins[::-1])
        apart = self._named(CauseKind.TURNED, "selection apart")
        yield Trial(apart, Lane(wires=mirrored))
        groups = {d: [pin for pin in self._pins if pin.direction is d] for d in _GROUPS}
        for name, pins in groups.items():
            for detail, there in _orders(pins):
                named = self._named(CauseKind.OTHER_MAP, f"{name} pins {detail}")
                yield Trial(named, Lane(wires=_moved(pins, there)))
        wires = [wire for pins in groups.values() for wire in _moved(pins, pins[::-1])]
        named = self._named(CauseKind.OTHER_MAP, "all groups of pins reversed")
        yield Trial(named, Lane(wires=tuple(wires)))

    def _traced(self, hypothesis: Hypothesis, lane: Lane) -> Trial:
        """Make a trial whose lane may reach the selection; an address unknown is no design's."""
        touched = {bit for bit, _ in lane.wires} | {x for s in lane.shorts for x in (s.a, s.b)}
        if self._profile is None or not any(self._selects >> bit & 1 for bit in touched):
            return Trial(hypothesis, lane)
        found = answering(self._profile.select, self._shuttle, lane)
        return Trial(hypothesis, lane, found or always(self._shuttle, ""))

    def _named(
        self, kind: CauseKind, detail: str = "", *pins: Pin, share: float = 1.0
    ) -> Hypothesis:
        return Hypothesis(kind, tuple(pin.name for pin in pins), detail, kind.prior * share)


def _orders(pins: Sequence[Pin]) -> Iterator[tuple[str, Sequence[Pin]]]:
    """Other orders of a group of pins that boards may have."""
    if len(pins) > 1:
        yield "reversed", pins[::-1]
    if len(pins) > 2:
        yield "shifted up", [*pins[1:], pins[0]]
        yield "shifted down", [pins[-1], *pins[:-1]]


def _moved(pins: Sequence[Pin], there: Sequence[Pin]) -> tuple[tuple[int, int | None], ...]:
    pairs = zip(pins, there, strict=True)
    return tuple((pin.bit, line.bit) for pin, line in pairs if pin is not line)


def _further(by: int) -> str:
    """Say where the designs of another shuttle are."""
    number = "1 address" if abs(by) == 1 else f"{abs(by)} addresses"
    return f"each design {number} {'further on' if by > 0 else 'further back'}"
