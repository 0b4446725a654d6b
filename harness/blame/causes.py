"""Rulings as causes: what a run keeps and shows of why its tables did not pass."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace
from itertools import accumulate
from math import exp
from types import MappingProxyType

import numpy as np

from harness.blame import words
from harness.blame.book import Book, Key
from harness.blame.experiment import partner, tables_to_ask
from harness.blame.finding import Finding
from harness.blame.groups import Group
from harness.blame.moves import Exchange
from harness.blame.rulings import Place, Rulings
from harness.blame.seen import Answer, Seen
from harness.blame.slot import Explanation
from harness.blame.ties import where
from harness.errors import many
from harness.grouping import grouped
from harness.records import (
    UNKNOWN_CHIP,
    Candidate,
    Cause,
    CauseKind,
    ChipRecord,
    Observation,
    Reason,
)

MAX_CANDIDATES = 6
MAX_OBSERVATIONS = 8
_SAME_PLACE = 4
"""Ways to say one place that are shown at most."""


def causes_of(
    rulings: Rulings,
    exchanged: Mapping[str, Exchange] = MappingProxyType({}),
    unusable: Iterable[ChipRecord] = (),
) -> tuple[Cause, ...]:
    """Return the causes of everything that was ruled, those of several chips first.

    ``exchanged``: by slot, the slot that failed before as this one does now. ``unusable`` are the
    chips whose board could not be used: nothing is ruled of them, and their causes come next.
    """
    found = [*_tables(rulings), *_profile(rulings)]
    found += _groups(rulings, rulings.alike, CauseKind.DESIGN_WRONG)
    found += _groups(rulings, rulings.margins, CauseKind.DESIGN_MARGIN)
    several = (cause for cause in found if cause.tables)
    slots = (_slot(rulings, s, f, exchanged.get(s)) for s, f in rulings.findings.items())
    alone = (cause for cause in slots if cause.tables)
    return tuple(_numbered((*several, *map(_unusable, unusable), *alone)))


def _unusable(chip: ChipRecord) -> Cause:
    """Say why a slot was not tested, and what to do; this is no verdict on its chip."""
    waiting = [(o.design, o.table) for o in chip.outcomes if o.reason is Reason.BOARD_UNUSABLE]
    why = chip.trouble.removeprefix(f"slot {chip.slot}, ")
    text = f"{_whose(chip.slot, chip.chip_serial)}: the board cannot be used: {why}"
    where = {chip.slot: chip.chip_serial}
    return _certain(Candidate(CauseKind.BOARD_UNUSABLE, (), "", "", "", 1.0), where, waiting, text)


def _certain(
    candidate: Candidate, chips: Mapping[str, str], keys: Sequence[Key], text: str, advice: str = ""
) -> Cause:
    """Make a cause of one explanation, in the slots of these ``chips``."""
    return Cause(
        key=f"{candidate.kind}:{candidate.design or '+'.join(chips)}",
        slots=tuple(chips),
        chips=tuple(chips.values()),
        candidates=(candidate,),
        odds=0.0,
        settled=True,
        tables=tuple(map(_name, keys)),
        summary=text,
        advice=advice,
        swap="",
        ask=(),
        observations=(),
        overruled=None,
    )


def _numbered(causes: Iterable[Cause]) -> Iterator[Cause]:
    """Tell apart the keys of causes of one kind in one design: a person decides on one by its key.

    The first keeps its key.
    """
    counts: Counter[str] = Counter()
    for cause in causes:
        counts[cause.key] += 1
        number = counts[cause.key]
        yield cause if number == 1 else replace(cause, key=f"{cause.key}:{number}")


def cause_keys(causes: Iterable[Cause]) -> dict[Place, str]:
    """Return the cause of each table of each slot."""
    keys: dict[Place, str] = {}
    for cause in causes:
        for slot in cause.slots:
            for table in cause.tables:
                design, _, name = table.partition("/")
                keys.setdefault((slot, (design, name)), cause.key)
    return keys


def _tables(rulings: Rulings) -> Iterator[Cause]:
    for key in rulings.tables:
        failed = Reason.TABLE_FAILS_REHEARSAL
        slots = [s for (s, k), r in rulings.reasons.items() if k == key and r is failed]
        where = f"Table {_name(key)} fails on its own design's netlist"
        text = f"{where}: the table or the design is wrong."
        yield _across(rulings, CauseKind.TABLE_WRONG, slots, [key], text, failed.advice)


def _profile(rulings: Rulings) -> list[Cause]:
    if rulings.profile is None:
        return []
    places = [p for p, r in rulings.reasons.items() if r is Reason.PROFILE_SUSPECTED]
    slots = sorted({slot for slot, _ in places})
    keys = list(dict.fromkeys(key for _, key in places))
    what = words.idea_text(rulings.profile, outputs(rulings.book))
    text = f"{many(len(slots), 'slot')} alike: {what}. Profile or board revision."
    advice = Reason.PROFILE_SUSPECTED.advice
    cause = _across(rulings, CauseKind.PROFILE_WRONG, slots, keys, text, advice)
    (whole,) = cause.candidates
    named = replace(whole, pins=rulings.profile.pins, detail=rulings.profile.kind.value)
    return [replace(cause, candidates=(named,))]


def _groups(rulings: Rulings, groups: Sequence[Group], kind: CauseKind) -> Iterator[Cause]:
    """One cause for each design and set of slots."""
    merged = grouped(((group.key[0], group.slots), group) for group in groups)
    for (_, slots), own in merged.items():
        keys = [group.key for group in own]
        chips = f"{len(slots)} of the {own[0].tested} chips that answered"
        reason = rulings.reasons[min(slots), keys[0]]
        named = words.listed([_name(key) for key in keys])
        text = f"{named}: {chips} give the same wrong answer. {reason.meaning}"
        if not all(group.steady for group in own):
            text = f"{named}: {chips} fail, each in its own way: table or design, not a chip."
        yield _across(rulings, kind, sorted(slots), keys, text, reason.advice)


def _across(
    rulings: Rulings,
    kind: CauseKind,
    slots: Sequence[str],
    keys: Sequence[Key],
    text: str,
    advice: str,
) -> Cause:
    designs = {design for design, _ in keys}
    design = min(designs) if len(designs) == 1 else ""
    table = keys[0][1] if len(keys) == 1 else ""
    chips = dict(zip(slots, _chips(rulings, slots), strict=True))
    return _certain(Candidate(kind, (), design, table, "", 1.0), chips, keys, text, advice)


def _slot(rulings: Rulings, slot: str, finding: Finding, exchange: Exchange | None) -> Cause:
    keys = [key for s, key in rulings.reasons if s == slot and _own(rulings.reasons[s, key])]
    asked = tables_to_ask(finding, rulings.lengths)
    swap = partner(slot, asked, rulings.seen.values(), rulings.findings)
    settled = finding.alone or finding.move is not None
    if settled and (finding.move is not None or len(finding.parties) < 2):
        swap = ""
    return Cause(
        key=slot,
        slots=(slot,),
        chips=_chips(rulings, [slot]),
        candidates=tuple(_candidates(finding)),
        odds=finding.odds,
        settled=settled,
        tables=tuple(map(_name, keys)),
        summary=_summary(rulings, slot, finding, keys) + words.earlier_text(finding.move, exchange),
        advice=_advice(rulings, slot, finding, swap, asked),
        swap=swap,
        ask=tuple(map(_name, asked)) if swap else (),
        observations=tuple(_observations(slot, finding)),
        overruled=None,
    )


_NOT_OF_SLOT = {
    Reason.TABLE_FAILS_REHEARSAL,
    Reason.PROFILE_SUSPECTED,
    Reason.DESIGN_ALIKE,
    Reason.TABLE_ALIKE,
    Reason.DESIGN_MARGIN,
}


def _own(reason: Reason) -> bool:
    """Whether a ruling is about the one slot."""
    return reason not in _NOT_OF_SLOT


def _summary(rulings: Rulings, slot: str, finding: Finding, keys: Sequence[Key]) -> str:
    pins = outputs(rulings.book)
    verdicts = [rulings.reasons[slot, key].verdicts for key in keys]
    untested = sum(not any(verdict.failed for verdict in own) for own in verdicts)
    (chip,) = _chips(rulings, [slot])
    whose = _whose(slot, chip)
    notes = [f"odds {words.odds_text(finding.odds)}"]
    if untested:
        notes.append(f"{many(untested, 'table')} not judged")
    if failing := len(keys) - untested:
        notes.append(many(failing, "failing table"))
    if finding.alone or finding.move is not None:
        same = [e for e in finding.near if where(e) == where(finding.best)][:_SAME_PLACE]
        texts = list(dict.fromkeys(words.explanation_text(e, pins) for e in same))
        return f"{whose}: {'; or '.join(texts)} ({'; '.join(notes)})."
    texts = [words.explanation_text(e, pins) for e in finding.rivals[:2]]
    return f"{whose}: not settled: {'; or '.join(texts)} ({'; '.join(notes)})."


def _whose(slot: str, chip: str) -> str:
    return slot if chip in {"", UNKNOWN_CHIP} else f"{slot} ({chip})"


def _advice(rulings: Rulings, slot: str, finding: Finding, swap: str, asked: Sequence[Key]) -> str:
    tables = words.listed([_name(key) for key in asked])
    if swap:
        return (
            f"Exchange the chips of {slot} and {swap}, and run {tables}: what stays in {slot} is "
            f"the board's, what moves to {swap} is the chip's."
        )
    if asked and not finding.alone and finding.move is None:
        return (
            f"No other slot passes what would settle it. Put another chip into {slot}, and run "
            f"{tables}: what stays is the board's, what goes is the chip's."
        )
    reasons = [rulings.reasons[slot, seen.key] for seen in finding.slot.judged if seen.bad]
    return next((reason.advice for reason in reasons if _own(reason)), "")


def _candidates(finding: Finding) -> Iterable[Candidate]:
    shown = list(dict.fromkeys((*finding.near, *finding.rivals)))
    ends = accumulate(max(1, len(explanation.ideas)) for explanation in shown)
    fitting = max(1, sum(end <= MAX_CANDIDATES for end in ends))  # an explanation is not cut
    for number, explanation in enumerate(shown[:fitting], 1):
        odds = exp(max(explanation.score - finding.best.score, -700.0))
        designs = ", ".join(sorted(explanation.designs))
        for idea in explanation.ideas:
            yield Candidate(idea.kind, idea.pins, designs, "", idea.detail, odds, number)
        if not explanation.ideas:
            kind = CauseKind.DESIGN_DEFECT if designs else CauseKind.GOOD
            yield Candidate(kind, (), designs, "", "", odds, number)


def _observations(slot: str, finding: Finding) -> list[Observation]:
    """The tables that speak most for the best place, or against it, beside the next one."""
    if len(finding.rivals) < 2:
        return []
    best, second = finding.rivals[:2]
    found = []
    for seen in finding.slot.judged:
        weight = _weight(finding, best, seen) - _weight(finding, second, seen)
        if abs(weight) > np.log(2):
            text = _observed(finding, best, seen)
            found.append(Observation(slot, _name(seen.key), text, weight))
    found.sort(key=lambda observation: -abs(observation.weight))
    return found[:MAX_OBSERVATIONS]


def _weight(finding: Finding, explanation: Explanation, seen: Seen) -> float:
    if seen.design in explanation.designs:
        return float(np.log(1e-5))
    places = np.array(explanation.places, dtype=np.int64)
    return float(finding.slot.candidates.answered(seen, np.sort(places)).max())


def _observed(finding: Finding, explanation: Explanation, seen: Seen) -> str:
    match seen.answer:
        case Answer.PASSED:
            return "passed"
        case Answer.UNSTABLE:
            return "unstable"
        case _ if finding.matches(explanation, seen):
            return "failed exactly as predicted"
    return "failed otherwise than predicted" if explanation.ideas else "failed"


def outputs(book: Book) -> list[str]:
    """Pins that only the chip drives."""
    drives = int(np.bitwise_or.reduce(book.drives, initial=0))
    tests = int(np.bitwise_or.reduce(book.tests, initial=0))
    return [pin for pin, bit in book.bits.items() if tests & ~drives & 1 << bit]


def _chips(rulings: Rulings, slots: Iterable[str]) -> tuple[str, ...]:
    chips: Mapping[str, str] = {seen.slot: seen.chip for seen in rulings.seen.values()}
    return tuple(chips[slot] for slot in slots)


def _name(key: Key) -> str:
    return "/".join(key)
