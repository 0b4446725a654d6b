"""What a night changed against the baseline that somebody accepted: pure, over verdicts.

One rule: what the baseline has is known, and what is known does not wake anybody; but a failure
whose waiver ran out, another kind of failure, and a table that was stopped are always news.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from harness.judge.outcome import Outcome, RunRecord, Verdict

_HELD_BACK = {Verdict.FAIL, Verdict.UNSTABLE, Verdict.WAIVED}

NOT_PART = "in the baseline, but not part of this night"


@dataclass(frozen=True)
class KnownVerdict:
    """What a baseline found of one table on one chip."""

    slot: str
    chip_serial: str
    design: str
    table: str
    verdict: Verdict


@dataclass(frozen=True)
class Baseline:
    """A run that was accepted: its verdicts, which are all that a night is compared with."""

    run_id: str
    verdicts: tuple[KnownVerdict, ...]


@dataclass(frozen=True)
class Change:
    """One table on one chip. ``before`` is None if the baseline does not have it.

    ``known`` tells that the baseline has it just so. ``why`` is a sentence for a person.
    """

    slot: str
    chip_serial: str
    design: str
    table: str
    before: Verdict | None
    now: Verdict
    known: bool
    why: str


@dataclass(frozen=True)
class NightChanges:
    """Every table of a night and of its baseline, in exactly one of five places.

    ``baseline`` is the run that was compared with, empty if none was accepted yet.
    """

    baseline: str
    newly_failing: tuple[Change, ...]
    newly_fixed: tuple[Change, ...]
    unstable: tuple[Change, ...]
    untested: tuple[Change, ...]
    unchanged: tuple[Change, ...]

    @property
    def failed_anew(self) -> bool:
        """Whether a chip did what nobody knew of: FAIL or UNSTABLE."""
        return bool(self.newly_failing) or any(not change.known for change in self.unstable)

    @property
    def untested_anew(self) -> bool:
        """Whether something could not be tested that the baseline had tested."""
        return any(not change.known for change in self.untested)


@dataclass
class _Sorted:
    """The five places while they fill."""

    newly_failing: list[Change] = field(default_factory=list)
    newly_fixed: list[Change] = field(default_factory=list)
    unstable: list[Change] = field(default_factory=list)
    untested: list[Change] = field(default_factory=list)
    unchanged: list[Change] = field(default_factory=list)


Key = tuple[str, str, str]


def changes(night: RunRecord, baseline: Baseline | None) -> NightChanges:
    """Compare a night with its baseline, table by table, chips by their serial numbers.

    Slots do not count: a chip may have moved. Without a baseline every failure is new.
    """
    before = {_key(known): known for known in baseline.verdicts} if baseline is not None else {}
    places = _Sorted()
    for outcome in (outcome for chip in night.chips for outcome in chip.outcomes):
        _sort(outcome, before.pop(_key(outcome), None), places)
    for lost in before.values():
        places.untested.append(_change(lost, lost, Verdict.NOT_RUN, NOT_PART))
    return NightChanges(
        baseline.run_id if baseline is not None else "",
        tuple(places.newly_failing),
        tuple(places.newly_fixed),
        tuple(places.unstable),
        tuple(places.untested),
        tuple(places.unchanged),
    )


def _key(outcome: Outcome | KnownVerdict) -> Key:
    return outcome.chip_serial, outcome.design, outcome.table


def _sort(now: Outcome, before: KnownVerdict | None, places: _Sorted) -> None:
    """Put one table into its place."""
    change = _change(now, before, now.verdict, now.summary)
    was = change.before
    match now.verdict:
        case Verdict.ERROR | Verdict.NOT_RUN:
            places.untested.append(change)
        case Verdict.UNSTABLE:
            places.unstable.append(change)
        case Verdict.FAIL if not change.known:
            places.newly_failing.append(change)
        case Verdict.PASS if was in _HELD_BACK:
            places.newly_fixed.append(change)
        case _:
            places.unchanged.append(change)


def _change(
    outcome: Outcome | KnownVerdict, before: KnownVerdict | None, now: Verdict, why: str
) -> Change:
    was = before.verdict if before is not None else None
    known = was is now and now is not Verdict.NOT_RUN and why != NOT_PART
    return Change(
        outcome.slot,
        outcome.chip_serial,
        outcome.design,
        outcome.table,
        was,
        now,
        known,
        why,
    )
