"""What a night changed against its baseline, worked out for the run's page.

The one rule: what is new is shown with its reason, what the baseline already has is counted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from harness.errors import many, one_line
from harness.judge import Change, NightChanges
from harness.records import Verdict
from harness_reports.looks import tally_text
from harness_reports.texts import day

NONE = "none"
MAX_SHOWN = 20
"""Maximum number of news of one kind that the page names; ``night.json`` has all of them."""
MAX_SHOWN_TABLES = 6
"""Maximum number of tables named for one chip and reason."""


@dataclass(frozen=True)
class NewsItem:
    """Tables of one chip with one reason; ``page`` is the chip's, empty if this run has none."""

    verdict: Verdict
    chip: str
    page: str
    tables: str
    why: str


@dataclass(frozen=True)
class NewsRow:
    """One of the kinds of change: how many, the news by name, and a remark on the others."""

    name: str
    number: int
    items: tuple[NewsItem, ...]
    remark: str


@dataclass(frozen=True)
class Since:
    """The part of a run's page that compares it with its baseline."""

    sentence: str
    rows: tuple[NewsRow, ...]


def baseline_text(changes: NightChanges) -> str:
    """``compared with run …, accepted 2026-03-09: SP2-0003 is known to be bad``, on one line."""
    reason = f": {one_line(changes.reason)}" if changes.reason else ""
    return f"compared with run {changes.baseline}, accepted {day(changes.accepted)}{reason}"


def build_since(changes: NightChanges, pages: Mapping[str, str], run_id: str) -> Since:
    """Work the part out; ``pages`` are those of the chips of this run, by serial number."""
    sentence = f"This night is {baseline_text(changes)}"
    if not changes.baseline:
        sentence = (
            "No run of this rack has been accepted yet, so every failure counts as new. "
            f"harness accept {run_id} makes this run the baseline."
        )
    kinds = (
        ("Newly failing", changes.newly_failing),
        ("Newly fixed", changes.newly_fixed),
        ("Unstable", changes.unstable),
        ("Could not be tested", changes.untested),
    )
    rows = [_row(name, part, pages) for name, part in kinds]
    counts = tally_text(change.now for change in changes.unchanged)
    rows.append(NewsRow("Unchanged", len(changes.unchanged), (), counts or NONE))
    return Since(sentence, tuple(rows))


def _row(name: str, changes: Sequence[Change], pages: Mapping[str, str]) -> NewsRow:
    news = [change for change in changes if not change.known]
    known = len(changes) - len(news)
    groups = _groups(news)
    remarks = []
    if len(groups) > MAX_SHOWN:
        left = sum(len(group) for group in groups[MAX_SHOWN:])
        remarks.append(f"{many(left, 'more table')}: see night.json.")
    if known:
        remarks.append(f"{many(known, 'table')} as in the baseline.")
    items = tuple(_item(group, pages) for group in groups[:MAX_SHOWN])
    return NewsRow(name, len(changes), items, " ".join(remarks) or ("" if items else NONE))


def _groups(news: Sequence[Change]) -> list[list[Change]]:
    """Put tables together that have chip, verdict and reason in common, in their order."""
    groups: dict[tuple[str, str, str], list[Change]] = {}
    for change in news:
        groups.setdefault((change.chip_serial, change.now, change.why), []).append(change)
    return list(groups.values())


def _item(group: Sequence[Change], pages: Mapping[str, str]) -> NewsItem:
    first = group[0]
    names = [f"{change.design} / {change.table}" for change in group]
    if len(names) > MAX_SHOWN_TABLES:
        names[MAX_SHOWN_TABLES - 1 :] = [f"{len(names) - MAX_SHOWN_TABLES + 1} more"]
    page = pages.get(first.chip_serial, "")
    return NewsItem(first.now, first.chip_serial, page, ", ".join(names), first.why)
