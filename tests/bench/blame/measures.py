"""What the rules made of a rack, held against the truth about it.

The one rule: something is right only if it names the injected fault, or cannot be told from what
does; everything that is named besides must be true.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np

from harness.blame.experiment import partner, tables_to_ask
from harness.blame.finding import Finding
from harness.blame.rulings import Rulings, rule
from harness.blame.seen import Answer, Seen, seen_of
from harness.blame.slot import Explanation, Idea
from harness.blame.ties import covers
from harness.records import CauseKind, Reason, RunRecord, Verdict
from harness.rehearse import Predictions
from tests.bench.blame.faults import Fault
from tests.bench.blame.racks import SLOTS, Floor, Key, Truth, exchanged

PINNED = ("open", "stuck", "short", "exchange")
CHIPS = (Reason.CHIP_DEFECT, Reason.CHIP_OR_DESIGN, Reason.WIRING_NOT_PROVEN)
ACROSS = {
    "table wrong": lambda rulings: bool(rulings.tables),
    "design wrong": lambda rulings: bool(rulings.alike),
    # a chip with a defect of its own in that design beside them makes half into most
    "design on half": lambda rulings: bool(rulings.margins or rulings.alike),
    "boards wrong": lambda rulings: rulings.profile is not None,
}


@dataclass
class Tally:
    """Counts by name, a line for each thing that went wrong, and the confusion matrix."""

    counts: Counter[str] = field(default_factory=Counter)
    lines: list[str] = field(default_factory=list)
    matrix: Counter[tuple[str, str]] = field(default_factory=Counter)

    def add(self, other: Tally) -> None:
        """Take another one's counts in."""
        self.counts.update(other.counts)
        self.lines += other.lines
        self.matrix.update(other.matrix)


@dataclass(frozen=True)
class Case:
    """One faulty slot: what is wrong there, and what the rules found."""

    seed: int
    slot: str
    faults: tuple[Fault, ...]
    finding: Finding

    @property
    def label(self) -> str:
        """What is wrong, in a word."""
        if len(self.faults) > 1:
            return "two faults"
        return "odd" if self.faults[0].odd else self.faults[0].label


def tally_rack(
    floor: Floor, predictions: Predictions, seed: int, truth: Truth, run: RunRecord
) -> Tally:
    """Settle one rack and count."""
    rehearsed = {key: key != truth.table for key in floor.jobs}
    seen = seen_on(run, predictions)
    rulings = rule(seen, predictions, rehearsed, _never_moved)
    tally = Tally()
    if truth.across and _shows(truth, seen):
        right = ACROSS[truth.across](rulings)
        tally.counts[f"{truth.across}: racks"] += 1
        tally.counts[f"{truth.across}: right"] += right
    for slot in range(SLOTS):
        faults = _faults(truth, slot)
        name = f"A{slot + 1}"
        mine = {key: r for (where, key), r in rulings.reasons.items() if where == name}
        _accused(tally, seed, name, faults, mine)
        _passed(tally, seed, name, faults, [s for s in seen if s.slot == name], mine)
        _asked(tally, floor, seed, name, faults, mine)
        finding = rulings.findings.get(name)
        if finding is not None and truth.slots[slot] and truth.everywhere is None:
            case = Case(seed, name, faults, finding)
            _explained(tally, case)
            if len(faults) == 1:
                _experiment(tally, floor, predictions, truth, case, rulings)
    return tally


def _shows(truth: Truth, seen: Sequence[Seen]) -> bool:
    """Whether what is wrong across the slots shows in two that have no fault besides.

    What one alone shows is that slot's own to all rules: the others hide it behind their faults.
    """
    every = truth.everywhere
    slots = truth.on if every is not None else range(SLOTS)
    clean = {f"A{slot + 1}" for slot in slots if not truth.slots[slot]}
    return len({each.slot for each in seen if each.bad} & clean) > 1


def _never_moved(_slot: str, _tables: Collection[Key]) -> None:
    """These racks have no earlier runs."""


def seen_on(run: RunRecord, predictions: Predictions) -> list[Seen]:
    """Everything that a run has seen."""
    bits = {pin: bit for bit, pin in enumerate(predictions.pins)}
    return [seen_of(outcome, bits) for chip in run.chips for outcome in chip.outcomes]


def _faults(truth: Truth, slot: int) -> tuple[Fault, ...]:
    every = truth.everywhere
    return (*truth.slots[slot], *((every,) if every is not None and slot in truth.on else ()))


def _accused(
    tally: Tally, seed: int, slot: str, faults: Sequence[Fault], mine: Mapping[Key, Reason]
) -> None:
    """A chip without a defect of its own must not FAIL."""
    if not any(not fault.chip for fault in faults):
        return
    tally.counts["board faults"] += 1
    designs = {d for fault in faults if fault.chip for d in fault.designs}
    wrongly = [key for key, r in mine.items() if r in CHIPS and key[0] not in designs]
    if wrongly:
        tally.counts["good chips accused"] += 1
        tally.lines.append(f"ACCUSED {seed} {slot} {_texts(faults)}: {wrongly}")


def _passed(
    tally: Tally,
    seed: int,
    slot: str,
    faults: Sequence[Fault],
    seen: Sequence[Seen],
    mine: Mapping[Key, Reason],
) -> None:
    """A chip with a defect that a table has shown must not come out as PASS."""
    shown = [s for s in seen if s.answer in (Answer.FAILED, Answer.UNSTABLE)]
    bad = any(fault.chip for fault in faults)
    if bad and shown and all(Verdict.PASS in mine[s.key].verdicts for s in shown if s.key in mine):
        tally.counts["bad chips passed"] += 1
        tally.lines.append(f"PASSED {seed} {slot} {_texts(faults)}")


def _asked(
    tally: Tally,
    floor: Floor,
    seed: int,
    slot: str,
    faults: Sequence[Fault],
    mine: Mapping[Key, Reason],
) -> None:
    """A table that asks a pin for the level that it never drives must not come out as PASS."""
    if len(faults) != 1 or faults[0].lacks is None:
        return
    (fault,), (pin,) = faults, faults[0].pins
    bit = np.uint32(floor.shuttle.pins_by_name[pin].mask)
    for key, (_, _, pattern) in floor.jobs.items():
        levels = pattern.expect if fault.lacks else ~pattern.expect
        asks = (pattern.care & ~pattern.highz & ~pattern.enable & levels & bit).any()
        tally.counts["tables that ask a pad for what it lacks"] += bool(asks)
        if asks and (key not in mine or Verdict.PASS in mine[key].verdicts):
            tally.counts["bad chips passed"] += 1
            tally.lines.append(f"PASSED {seed} {slot} {_texts(faults)}: {key}")


def _explained(tally: Tally, case: Case) -> None:
    counts, finding = tally.counts, case.finding
    kind = "two" if len(case.faults) > 1 else "odd" if case.faults[0].odd else "one"
    counts[f"{kind}: slots"] += 1
    counts[f"{kind}: right class first"] += right_first(case)
    if not finding.alone:
        counts[f"{kind}: cannot tell"] += 1
    elif not any(true(e, case.faults) for e in finding.near if covers(e, finding.best)):
        counts[f"{kind}: named wrong"] += 1
        tally.lines.append(f"WRONG {case.seed} {case.slot} {_texts(case.faults)}: {finding.best}")
    if kind == "one":
        fault = case.faults[0]
        tally.matrix[fault.label, _class_of(finding.best)] += 1
        group = fault.label if fault.label == "flaky contact" else "pins"
        if fault.label in (*PINNED, "flaky contact"):
            counts[f"{group}: slots"] += 1
            counts[f"{group}: right"] += any(
                matches(e, case.faults) for e in finding.near if _tied(finding, e)
            )
        if not right_first(case):
            text = f"NOT FIRST {case.seed} {case.slot} {_texts(case.faults)}: {finding.best}"
            tally.lines.append(text)


def _tied(finding: Finding, explanation: Explanation) -> bool:
    return covers(explanation, finding.best) or explanation.score >= finding.best.score - 1e-6


def right_first(case: Case) -> bool:
    """Whether the best explanation, or one that cannot be told from it, is the right one."""
    if case.faults[0].odd:
        return bool(case.finding.best.ideas)
    return any(matches(e, case.faults) for e in case.finding.near if _tied(case.finding, e))


def matches(explanation: Explanation, faults: Sequence[Fault]) -> bool:
    """Whether an explanation names every fault, and nothing else."""
    boards = [fault for fault in faults if not fault.designs]
    designs = {d for fault in faults for d in fault.designs}
    if not explanation.designs <= designs or bool(explanation.designs) != bool(designs):
        return False
    if len(explanation.ideas) != len(boards):
        return False
    return all(any(_names(i, fault) for i in explanation.ideas) for fault in boards)


def true(explanation: Explanation, faults: Sequence[Fault]) -> bool:
    """Whether all that an explanation names is so; it need not be all."""
    designs = {d for fault in faults for d in fault.designs}
    ideas = all(any(_names(i, fault) for fault in faults) for i in explanation.ideas)
    return explanation.designs <= designs and ideas


def _names(idea: Idea, fault: Fault) -> bool:
    if fault.odd is not None:
        return bool(set(idea.pins) & set(fault.pins))
    if fault.label == "neighbours open" and set(idea.pins) < set(fault.pins):
        return idea.kind in (CauseKind.OPEN, CauseKind.STUCK, CauseKind.DEAD_PAD)
    if idea.silent and fault.label in ("no supply", "selection wire", "turned", "selection bit"):
        return True
    named = not fault.pins or fault.label == "selection wire" or set(idea.pins) == set(fault.pins)
    return idea.kind in fault.kinds and named


def _class_of(explanation: Explanation) -> str:
    kinds = sorted({idea.kind.value for idea in explanation.ideas})
    return "+".join([*kinds, *(["design"] if explanation.designs else [])])


def _experiment(
    tally: Tally,
    floor: Floor,
    predictions: Predictions,
    truth: Truth,
    case: Case,
    rulings: Rulings,
) -> None:
    """Exchange the chips as proposed, run the tables, and see what moves."""
    finding, fault = case.finding, case.faults[0]
    if finding.alone:
        return
    kind = "flaky" if fault.flaky else "odd" if fault.odd else "one"
    asked = tables_to_ask(finding, rulings.lengths)
    other = partner(case.slot, asked, rulings.seen.values(), rulings.findings)
    tally.counts[f"{kind}: experiments"] += 1
    if not other:
        tally.lines.append(f"NO PARTNER {case.seed} {case.slot} {_texts(case.faults)}")
        return
    here, there = (int(name[1:]) - 1 for name in (case.slot, other))
    after = exchanged(truth, here, there)
    chips = [f"SP2-{5000 + slot}" for slot in range(SLOTS)]
    bad = {
        slot: any(s.bad for s in _again(floor, predictions, after, slot, chips[slot], asked))
        for slot in (here, there)
    }
    if bad[here] != bad[there] and bad[there] is fault.chip:
        tally.counts[f"{kind}: settled"] += 1
    else:
        tally.lines.append(f"NOT SETTLED {case.seed} {case.slot} {_texts(case.faults)}: {bad}")


def _again(
    floor: Floor,
    predictions: Predictions,
    truth: Truth,
    slot: int,
    chip: str,
    keys: Sequence[Key],
) -> Iterator[Seen]:
    bits = {pin: bit for bit, pin in enumerate(predictions.pins)}
    for outcome in floor.run(slot, chip, truth.slots[slot], keys):
        yield seen_of(outcome, bits)


def _texts(faults: Sequence[Fault]) -> str:
    return " and ".join(map(str, faults))
