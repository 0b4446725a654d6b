"""What a person reads in the morning after a night: five lines, and one on margins.

One rule: always the same five, and nothing colours them.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from harness.jobs.night_margins import NightMargins
from harness.judge import Change, NightChanges
from harness.records import Reason, Verdict
from harness_reports import Scrubber, drop_text

MAX_SHOWN_CHIPS = 4
"""Maximum number of chips named in a line; the folder has them all."""

MAX_SHOWN_TABLES = 2
"""Maximum number of tables named for each chip."""

MAX_SHOWN_DROPS = 4
"""Maximum number of lost margins named in their line; the pages have them all."""

_SCRUBBER = Scrubber()


def morning_lines(found: NightChanges, margins: NightMargins) -> tuple[str, ...]:
    """Tell what a night found: five lines, and one on margins where any were searched."""
    return (*five_lines(found), *(_SCRUBBER.text(line) for line in margin_line(margins)))


def five_lines(found: NightChanges) -> tuple[str, ...]:
    """Tell what a person must know: five lines, always the same five, nothing colours them."""
    rows = (
        ("newly failing", found.newly_failing, _named(found.newly_failing)),
        ("newly fixed", found.newly_fixed, _named(found.newly_fixed)),
        ("unstable", found.unstable, _named(found.unstable)),
        ("could not be tested", found.untested, _named(found.untested)),
        ("unchanged", found.unchanged, _counted(found)),
    )
    return tuple(f"{name:<19}  {len(places):>5}  {told}".rstrip() for name, places, told in rows)


def _named(found: Sequence[Change]) -> str:
    """``SP2-0003 crc16/check, crc16/stream; … (13 known)``: known ones are only counted."""
    chips: dict[str, list[str]] = {}
    for change in found:
        if not change.known:
            where = f"{change.slot} " if not change.now.judged else ""  # somebody walks there
            tables = chips.setdefault(f"{where}{change.chip_serial}", [])
            tables.append(f"{change.design}/{change.table}")
    told = [f"{chip} {_some(tables, MAX_SHOWN_TABLES, ', ')}" for chip, tables in chips.items()]
    return _with_remarks(_some(told, MAX_SHOWN_CHIPS, "; "), found)


def _with_remarks(told: str, found: Sequence[Change]) -> str:
    """Add how many of the changes are something special, each counted once."""
    counts = Counter(_remark(change) for change in found)
    remark = ", ".join(f"{counts[what]} {what}" for what in _REMARKS if counts[what])
    return f"{told} ({remark})".lstrip() if remark else told


_EXPIRED, _DIFFERENT, _ONLY_BEFORE = "waiver expired", "failed otherwise before", "not in this run"
_WAIVED_BEFORE, _ONE_RUN = "waived before", "unstable before, passed in one run"
_NEWLY_WAIVED, _NEW, _KNOWN = "newly waived", "not in the baseline", "known"
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
    """What somebody must know of a change beside its place; empty if nothing."""
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
    return next((what for what, so in special.items() if so), "")


def _some(texts: Sequence[str], most: int, between: str) -> str:
    shown = between.join(texts[:most])
    return shown if len(texts) <= most else f"{shown}{between}{len(texts) - most} more"


def _counted(found: NightChanges) -> str:
    """``189 PASS, 2 FAIL (1 newly waived)``; without a baseline nothing is new to it."""
    counts = Counter(change.now for change in found.unchanged)
    told = ", ".join(f"{number} {verdict}" for verdict, number in sorted(counts.items()))
    news = [c for c in found.unchanged if _remark(c) in {_NEWLY_WAIVED, _NEW} and found.baseline]
    return _with_remarks(told, news)


def margin_line(margins: NightMargins) -> tuple[str, ...]:
    """One line below the five: who lost margin; none if nothing was searched."""
    if margins.trouble:
        return (f"{'less margin':<19}  {0:>5}  (not searched: {margins.trouble})",)
    if not margins.records:
        return ()
    return (f"{'less margin':<19}  {len(margins.drops):>5}  {_told(margins)}".rstrip(),)


def _told(margins: NightMargins) -> str:
    told = _some([drop_text(drop) for drop in margins.drops], MAX_SHOWN_DROPS, "; ")
    broken = sum(bool(record.trouble) for record in margins.records)
    remarks = [f"{len(margins.records)} searched"]
    if broken:
        remarks.append(f"{broken} of them not to the end")
    if margins.known:
        remarks.append(f"{margins.known} known")
    remark = f"({', '.join(remarks)})"
    return f"{told} {remark}".lstrip()
