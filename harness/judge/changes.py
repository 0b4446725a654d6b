"""What a night changed against its accepted baseline: pure, over verdicts.

One rule: what the baseline already has is known and raises no alarm; but a failure whose waiver
expired, a different failure, and a table that was stopped are always news.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property

from harness.records import Outcome, Reason, RunRecord, Verdict

_NOT_PART = "in the baseline, but not part of this run"


@dataclass(frozen=True)
class KnownVerdict:
    """The verdict of a baseline on one table of one chip."""

    slot: str
    chip_serial: str
    design: str
    table: str
    verdict: Verdict
    table_sha256: str
    mismatches: int


@dataclass(frozen=True)
class Baseline:
    """A run that another is compared with, by its verdicts only.

    ``accepted`` and ``reason`` say when and why it was accepted; None for any other run.
    """

    run_id: str
    started: datetime
    profile_sha256: str
    accepted: datetime | None
    reason: str
    verdicts: tuple[KnownVerdict, ...]


@dataclass(frozen=True)
class Change:
    """One table on one chip. ``before`` is None if the baseline does not have it.

    ``known``: the baseline already has it, identically: the verdict, and for a failure also the
    table and the number of mismatches. ``expired``: a waiver covered it until it expired.
    ``reason`` is that of the verdict, ``why`` a sentence for a person. ``cause`` is the key of the
    night's cause that explains it, empty if there is none.
    """

    slot: str
    chip_serial: str
    design: str
    table: str
    before: Verdict | None
    now: Verdict
    known: bool
    reason: Reason
    why: str
    expired: bool = False
    cause: str = ""


@dataclass(frozen=True)
class NightChanges:
    """Every table of a night and of its baseline, in exactly one of five places.

    ``baseline`` is the run that was compared with, empty if none was accepted yet, and ``begun``
    when it started; ``accepted`` and ``reason`` say when and why it became the baseline.
    ``edited`` are the files that differ from the baseline's: ``profile``, and tables as
    ``design/table``. ``rehearsed_badly`` are the tables that fail, or are refused, on their own
    design's netlist.
    """

    baseline: str
    newly_failing: tuple[Change, ...]
    newly_fixed: tuple[Change, ...]
    unstable: tuple[Change, ...]
    untested: tuple[Change, ...]
    unchanged: tuple[Change, ...]
    begun: datetime | None = field(default=None, kw_only=True)
    accepted: datetime | None = field(default=None, kw_only=True)
    reason: str = field(default="", kw_only=True)
    edited: tuple[str, ...] = field(default=(), kw_only=True)
    rehearsed_badly: tuple[str, ...] = field(default=(), kw_only=True)

    @property
    def lost(self) -> tuple[Change, ...]:
        """Tables of the baseline that are not part of the night."""
        return tuple(change for change in self.untested if change.reason is Reason.NOT_PART)

    @cached_property
    def known_failures(self) -> frozenset[tuple[str, str, str]]:
        """Chip, design and table of every bad outcome that the baseline has identically."""
        return frozenset(
            (change.chip_serial, change.design, change.table)
            for change in (*self.unstable, *self.untested, *self.unchanged)
            if change.known and (change.now.failed or change.now is Verdict.ERROR)
        )

    @property
    def has_new_failures(self) -> bool:
        """Whether a FAIL or UNSTABLE is not known yet."""
        return bool(self.newly_failing) or any(not change.known for change in self.unstable)

    @property
    def has_newly_untested(self) -> bool:
        """Whether a table could not be tested that the baseline has tested."""
        return any(not change.known for change in self.untested)


_PLACES = ("newly_failing", "newly_fixed", "unstable", "untested", "unchanged")


def changes(night: RunRecord, baseline: Baseline | None) -> NightChanges:
    """Compare a night with its baseline, table by table, chips by their serial numbers.

    Slots are ignored: a chip may have moved. Without a baseline every failure is new.
    """
    before = {_key(known): known for known in baseline.verdicts} if baseline is not None else {}
    edited = tuple(_edited(night, baseline)) if baseline is not None else ()
    places: dict[str, list[Change]] = defaultdict(list)
    for outcome in night.outcomes:
        change = _change(outcome, before.pop(_key(outcome), None))
        places[_place(change)].append(change)
    places["untested"] += [_lost(known) for known in before.values()]
    return NightChanges(
        baseline.run_id if baseline is not None else "",
        *(tuple(places[place]) for place in _PLACES),
        begun=baseline.started if baseline is not None else None,
        accepted=baseline.accepted if baseline is not None else None,
        reason=baseline.reason if baseline is not None else "",
        edited=edited,
        rehearsed_badly=tuple(_rehearsed_badly(night)),
    )


def _rehearsed_badly(night: RunRecord) -> dict[str, None]:
    """Name, once, every table that its author has to mend before any chip can be blamed."""
    return {
        f"{outcome.design}/{outcome.table}": None
        for outcome in night.outcomes
        if outcome.rehearsal is not None and outcome.rehearsal.bad
    }


def _edited(night: RunRecord, baseline: Baseline) -> Iterator[str]:
    """Name the profile and the tables that the baseline had otherwise."""
    if night.profile_sha256 != baseline.profile_sha256:
        yield "profile"
    hashes = {(known.design, known.table): known.table_sha256 for known in baseline.verdicts}
    now = {(o.design, o.table): o.table_sha256 for o in night.outcomes}
    for key, sha256 in now.items():
        if hashes.get(key, sha256) != sha256:
            yield "/".join(key)


def _key(outcome: Outcome | KnownVerdict) -> tuple[str, str, str]:
    return outcome.chip_serial, outcome.design, outcome.table


def _place(change: Change) -> str:
    """Which of the five places of a night this belongs to."""
    if not change.now.judged:
        return "untested"
    match change.now:
        case Verdict.UNSTABLE:
            return "unstable"
        case Verdict.FAIL if not change.known:
            return "newly_failing"
        case Verdict.PASS if (was := change.before) and was.judged and was is not Verdict.PASS:
            return "newly_fixed"
    return "unchanged"


def _change(now: Outcome, before: KnownVerdict | None) -> Change:
    return Change(
        now.slot,
        now.chip_serial,
        now.design,
        now.table,
        before.verdict if before is not None else None,
        now.verdict,
        before is not None and _is_known(now, before) and not now.expired,
        now.reason,
        now.summary,
        now.expired,
        now.cause,
    )


def _is_known(now: Outcome, before: KnownVerdict) -> bool:
    """Whether a baseline already has an outcome; two failures of one table may differ."""
    if before.verdict is not now.verdict or now.verdict is Verdict.NOT_RUN:
        return False
    same_table = before.table_sha256 == now.table_sha256
    if now.verdict is Verdict.FAIL:
        return same_table and before.mismatches == now.mismatches
    return same_table or now.verdict is not Verdict.UNSTABLE


def _lost(before: KnownVerdict) -> Change:
    return Change(
        before.slot,
        before.chip_serial,
        before.design,
        before.table,
        before.verdict,
        Verdict.NOT_RUN,
        known=False,
        reason=Reason.NOT_PART,
        why=_NOT_PART,
    )
