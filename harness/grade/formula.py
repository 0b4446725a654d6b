"""Gates as clauses, for questions about all levels at once that no number of runs could settle.

The one rule: a net is two literals, as the engine's three values are two rails: surely 1, surely 0.
Where the inputs are known these are each other's negation, and share their clauses. Gates with the
same inputs are one, so a faulty machine costs what differs in it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from enum import Enum

from harness.netlist import Netlist, StuckAt

Literal = int
Rails = tuple[Literal, Literal]
"""Surely 1, surely 0."""

TRUE: Literal = 1
FALSE: Literal = -1
ONE: Rails = (TRUE, FALSE)
ZERO: Rails = (FALSE, TRUE)
UNKNOWN: Rails = (FALSE, FALSE)

MAX_CONFLICTS = 20_000
"""Maximum number of conflicts for one proof; after so many a question is left open."""

_SOLVER = "glucose4"


class Answer(Enum):
    """Whether a literal can be true."""

    YES = "yes"
    NO = "no"
    OPEN = "open"


def available() -> bool:
    """Whether the solver is installed."""
    try:
        import pysat.solvers  # noqa: F401, PLC0415  # loaded only where something is to be proven
    except ImportError:
        return False
    return True


class Formula:
    """Variables, and gates over them. Literals are numbers, negative ones inverted."""

    def __init__(self) -> None:
        self._last = TRUE
        self._known: dict[tuple[str, Literal, Literal], Literal] = {}
        self._gates: dict[Literal, tuple[str, Literal, Literal]] = {}

    def variable(self) -> Literal:
        """Add a free variable."""
        self._last += 1
        return self._last

    def both(self, a: Literal, b: Literal) -> Literal:
        """AND."""
        if a == -b or FALSE in {a, b}:
            return FALSE
        if a in {b, TRUE}:
            return b
        if b == TRUE:
            return a
        return self._gate("and", a, b)

    def either(self, a: Literal, b: Literal) -> Literal:
        """OR."""
        return -self.both(-a, -b)

    def differ(self, a: Literal, b: Literal) -> Literal:
        """XOR."""
        if abs(a) == abs(b):
            return FALSE if a == b else TRUE
        for one, other in ((a, b), (b, a)):
            if abs(one) == TRUE:
                return -other if one == TRUE else other
        literal = self._gate("xor", abs(a), abs(b))
        return literal if (a < 0) == (b < 0) else -literal

    def any(self, literals: Iterable[Literal]) -> Literal:
        """OR of any number of literals."""
        total = FALSE
        for literal in literals:
            total = self.either(total, literal)
        return total

    def _gate(self, kind: str, a: Literal, b: Literal) -> Literal:
        key = (kind, min(a, b), max(a, b))
        made = self._known.get(key)
        if made is None:
            made = self._known[key] = self.variable()
            self._gates[made] = key
        return made

    def ask(
        self, *wanted: Literal, effort: int = MAX_CONFLICTS
    ) -> tuple[Answer, Mapping[Literal, bool]]:
        """Say whether all literals can be true together; if so, with levels of the variables.

        Variables that do not matter are absent. After ``effort`` conflicts it is left open.
        """
        import pysat.solvers  # noqa: PLC0415  # loaded only where something is to be proven

        if FALSE in wanted:
            return Answer.NO, {}
        clauses = [*self._clauses(wanted), [TRUE], *([literal] for literal in wanted)]
        with pysat.solvers.Solver(name=_SOLVER, bootstrap_with=clauses) as solver:
            solver.conf_budget(effort)
            outcome = solver.solve_limited()
            if not outcome:
                return (Answer.OPEN if outcome is None else Answer.NO), {}
            used = {abs(literal) for clause in clauses for literal in clause}
            model = solver.get_model()
        return Answer.YES, {abs(level): level > 0 for level in model if abs(level) in used}

    def _clauses(self, roots: Iterable[Literal]) -> Iterator[list[Literal]]:
        """Clauses of all gates behind some literals."""
        waiting = [abs(root) for root in roots]
        seen = set(waiting)
        while waiting:
            out = waiting.pop()
            gate = self._gates.get(out)
            if gate is None:
                continue
            kind, a, b = gate
            if kind == "and":
                yield from ([-out, a], [-out, b], [out, -a, -b])
            else:
                yield from ([-out, a, b], [-out, -a, -b], [out, -a, b], [out, a, -b])
            fresh = {abs(a), abs(b)} - seen
            seen |= fresh
            waiting += fresh

    def differs(self, good: Rails, bad: Rails) -> Literal:
        """Whether two nets surely differ."""
        return self.either(self.both(good[0], bad[1]), self.both(good[1], bad[0]))

    def gate(self, kind: int, a: Rails, b: Rails) -> Rails:
        """Apply a two-input gate; the bits of ``kind`` are those of ``netlist.Kind``."""
        if kind & 2:
            a, b = a[::-1], b[::-1]
        if not kind & 4:
            out = self.both(a[0], b[0]), self.either(a[1], b[1])
        elif a[0] == -a[1] and b[0] == -b[1]:
            one = self.differ(a[0], b[0])
            out = one, -one
        else:
            out = self.differs(a, b), self.differs(a, b[::-1])
        return out[::-1] if kind & 1 else out


class Nets:
    """Evaluates the gates of a netlist over a formula, with one fault or none."""

    def __init__(self, formula: Formula, netlist: Netlist, fault: StuckAt | None = None) -> None:
        self._formula = formula
        self._gates: Sequence[Sequence[int]] = netlist.tables.gates.tolist()
        self._count = netlist.net_count
        self._net, self._forced = -1, ZERO
        self._at: dict[int, set[int]] = {}
        if fault is not None:
            self._forced = ONE if fault.level else ZERO
            if not fault.readers:
                self._net = fault.net
            for gate, pin in fault.readers:
                self._at.setdefault(gate, set()).add(pin)

    def levels(
        self, sources: Mapping[int, Rails], good: Sequence[Rails] | None = None
    ) -> list[Rails]:
        """Levels of all nets. ``sources``: nets that no gate drives; others of them are 0.

        ``good``: levels without the fault, from which those that are the same are taken.
        """
        found = [ZERO] * self._count
        found[1] = ONE
        for net, rails in sources.items():
            found[net] = rails
        if self._net >= 0:
            found[self._net] = self._forced
        gate, at, forced_net = self._formula.gate, self._at, self._net
        for index, (kind, a, b, out) in enumerate(self._gates):
            if out == forced_net:
                continue
            first, second = found[a], found[b]
            if index in at:
                first = self._forced if 0 in at[index] else first
                second = self._forced if 1 in at[index] else second
            elif good is not None and first == good[a] and second == good[b]:
                found[out] = good[out]
                continue
            found[out] = gate(kind, first, second)
        return found
