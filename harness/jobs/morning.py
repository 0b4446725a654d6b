"""The summary of a night that a person reads in the morning: five lines, and at most three more.

One rule: always the same five, without colour.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence

from harness.jobs.night_margins import NightMargins
from harness.judge import Change, NightChanges
from harness.records import Cause, Reason, Verdict
from harness_reports import Scrubber, drop_text

MAX_SHOWN_CHIPS = 4
"""Maximum number of causes and chips named in a line; the folder has them all."""

MAX_SHOWN_TABLES = 2
"""Maximum number of tables named for each chip."""

MAX_SHOWN_DROPS = 4
"""Maximum number of lost margins named in their line; the pages have them all."""

_SCRUBBER = Scrubber()


def morning_lines(
    changes: NightChanges, margins: NightMargins, causes: Sequence[Cause] = ()
) -> tuple[str, ...]:
    """Return a night's five lines; files and tables to look at before, lost margins after."""
    first = (*edited_line(changes), *rehearsal_line(changes))
    lines = (*first, *five_lines(changes, causes), *margin_line(margins))
    return tuple(_SCRUBBER.text(line) for line in lines)


def rehearsal_line(changes: NightChanges) -> tuple[str, ...]:
    """Return the line on tables that fail on their own design's netlist; none if none does.

    It comes before the five, because such a table says nothing against a chip.
    """
    if not changes.rehearsed_badly:
        return ()
    tables = _some(changes.rehearsed_badly, MAX_SHOWN_CHIPS, ", ")
    return (f"{'fail rehearsal':<19}  {len(changes.rehearsed_badly):>5}  {tables}",)


def edited_line(changes: NightChanges) -> tuple[str, ...]:
    """Return the line on files that the baseline had otherwise; none if there are none.

    It comes first, because such a file may explain whatever follows.
    """
    if not changes.edited:
        return ()
    files = _some(changes.edited, MAX_SHOWN_CHIPS, ", ")
    return (f"{'changed files':<19}  {len(changes.edited):>5}  {files}",)


def five_lines(changes: NightChanges, causes: Sequence[Cause] = ()) -> tuple[str, ...]:
    """Return the five lines, always the same five; causes stand for what they explain."""
    texts = {c.key: f"{c.summary} {c.advice}".rstrip(" .") for c in causes}
    rows = (
        ("newly failing", changes.newly_failing, _named(changes.newly_failing, texts)),
        ("newly fixed", changes.newly_fixed, _named(changes.newly_fixed, texts)),
        ("unstable", changes.unstable, _named(changes.unstable, texts)),
        ("could not be tested", changes.untested, _named(changes.untested, texts)),
        ("unchanged", changes.unchanged, _counted(changes)),
    )
    return tuple(f"{name:<19}  {len(places):>5}  {text}".rstrip() for name, places, text in rows)


def _named(changes: Sequence[Change], causes: Mapping[str, str]) -> str:
    """``A5: in3 does not reach the chip; SP2-0003 crc16/check, … (13 already known)``.

    Causes stand for the tables that they explain; what is already known is only counted.
    """
    texts: list[str] = []
    chips: dict[str, list[str]] = {}
    for change in (change for change in changes if not change.known):
        if change.cause in causes:
            texts.append(causes[change.cause])
            continue
        # a person has to go to the slot of what could not be tested
        where = f"{change.slot} " if not change.now.judged else ""
        tables = chips.setdefault(f"{where}{change.chip_serial}", [])
        tables.append(f"{change.design}/{change.table}")
    texts += [f"{chip} {_some(tables, MAX_SHOWN_TABLES, ', ')}" for chip, tables in chips.items()]
    return _with_remarks(_some(list(dict.fromkeys(texts)), MAX_SHOWN_CHIPS, "; "), changes)


def _with_remarks(text: str, changes: Sequence[Change]) -> str:
    """Add how many of the changes have a remark, each counted once."""
    counts = Counter(_remark(change) for change in changes)
    remark = ", ".join(f"{counts[what]} {what}" for what in _REMARKS if counts[what])
    return f"{text} ({remark})".lstrip() if remark else text


_EXPIRED, _DIFFERENT = "waiver expired", "failed differently before"
_ONLY_BEFORE, _KNOWN = "not in this run", "already known"
_WAIVED_BEFORE, _ONE_RUN = "waived before", "unstable before, passed in one run"
_NEWLY_WAIVED, _NEW = "newly waived", "not in the baseline"
_REMARKS = (
    _KNOWN,
    _EXPIRED,
    _WAIVED_BEFORE,
    _DIFFERENT,
    _ONLY_BEFORE,
    _ONE_RUN,
    _NEWLY_WAIVED,
    _NEW,
)


def _remark(change: Change) -> str:
    """Return what else is worth knowing about a change; empty if nothing."""
    was, now = change.before, change.now
    special = {
        _EXPIRED: change.expired,
        _KNOWN: change.known and not now.good,
        _ONLY_BEFORE: change.reason is Reason.NOT_PART,
        _WAIVED_BEFORE: was is Verdict.WAIVED and now is Verdict.FAIL,
        _DIFFERENT: was is now and now.failed,
        _ONE_RUN: was is Verdict.UNSTABLE and now is Verdict.PASS,
        _NEWLY_WAIVED: now is Verdict.WAIVED and was is not Verdict.WAIVED,
        _NEW: was is None and now is Verdict.PASS,
    }
    return next((what for what, applies in special.items() if applies), "")


def _some(texts: Sequence[str], limit: int, between: str) -> str:
    shown = between.join(texts[:limit])
    return shown if len(texts) <= limit else f"{shown}{between}{len(texts) - limit} more"


def _counted(changes: NightChanges) -> str:
    """``189 PASS, 2 FAIL (1 newly waived)``; without a baseline nothing is new to it."""
    same = changes.unchanged
    counts = Counter(change.now for change in same)
    text = ", ".join(f"{number} {verdict}" for verdict, number in sorted(counts.items()))
    news = [c for c in same if _remark(c) in {_NEWLY_WAIVED, _NEW} and changes.baseline]
    return _with_remarks(text, news)


def margin_line(margins: NightMargins) -> tuple[str, ...]:
    """Return the line below the five: who lost margin; none if nothing was searched."""
    if margins.trouble:
        return (f"{'less margin':<19}  {0:>5}  (not searched: {margins.trouble})",)
    if not margins.records:
        return ()
    return (f"{'less margin':<19}  {len(margins.drops):>5}  {_drops_text(margins)}".rstrip(),)


def _drops_text(margins: NightMargins) -> str:
    drops = [f"{drop.chip_serial} {drop.design} {drop_text(drop)}" for drop in margins.drops]
    text = _some(drops, MAX_SHOWN_DROPS, "; ")
    broken = sum(bool(record.trouble) for record in margins.records)
    remarks = [f"{len(margins.records)} searched"]
    if broken:
        remarks.append(f"{broken} incomplete")
    if margins.known:
        remarks.append(f"{margins.known} already known")
    remark = f"({', '.join(remarks)})"
    return f"{text} {remark}".lstrip()
