"""What differs between a run and an earlier one, or a night and its baseline, for their pages.

The one rule: what is new is shown with its reason, what the baseline already has is counted.
"""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from harness.errors import many, one_line
from harness.grouping import grouped
from harness.judge import Change, NightChanges
from harness.records import RunOverview, Verdict
from harness_reports.looks import tally_text
from harness_reports.names import chip_pages, table_anchor
from harness_reports.texts import day, minute
from harness_reports.ways import Anchor, Beyond, Ways, since_ways

NONE = "none"
MAX_SHOWN = 20
"""Maximum number of news of one kind that a night's first page names; a comparison has all."""
MAX_SHOWN_TABLES = 6
"""Maximum number of tables named for one chip and reason."""


@dataclass(frozen=True)
class NewsItem:
    """Tables of one chip with one reason, each with its place on the chip's page.

    Addresses are empty where this run has no such chip or table; ``more`` counts the tables left,
    and leads to the chip's.
    """

    verdict: Verdict
    chip: Anchor
    tables: tuple[Anchor, ...]
    more: Anchor | None
    why: str


@dataclass(frozen=True)
class NewsRow:
    """One of the kinds of change: how many, the news by name, and a remark on the others.

    ``more`` counts the tables that are not named, and leads to the list of all.
    """

    name: str
    number: int
    items: tuple[NewsItem, ...]
    remark: str
    more: Anchor | None = None


@dataclass(frozen=True)
class Since:
    """A comparison as a page shows it; ``sentence`` says what with, unless the page's head does."""

    sentence: str
    rows: tuple[NewsRow, ...]


@dataclass(frozen=True)
class SincePage:
    """The page that compares a run with an earlier one."""

    run: RunOverview
    before: Anchor
    before_id: str
    since: Since
    ways: Ways


def build_since_page(run: RunOverview, changes: NightChanges, beyond: Beyond) -> SincePage:
    """Work the page out, which lies in the run's folder; ``changes`` have a baseline."""
    when = f"{minute(changes.begun)} UTC" if changes.begun else changes.baseline
    before = Anchor(f"the run of {when}", beyond.links.run(changes.baseline))
    since = replace(build_since(changes, run, sys.maxsize), sentence="")
    return SincePage(run, before, changes.baseline, since, since_ways(run, when, before, beyond))


def baseline_text(changes: NightChanges) -> str:
    """``compared with run …, accepted 2026-03-09: SP2-0003 is known to be bad``, on one line."""
    reason = f": {one_line(changes.reason)}" if changes.reason else ""
    accepted = f", accepted {day(changes.accepted)}" if changes.accepted else ""
    return f"compared with run {changes.baseline}{accepted}{reason}"


def build_since(changes: NightChanges, run: RunOverview, most: int = MAX_SHOWN) -> Since:
    """Work the comparison of a run out, with at most so many news of a kind."""
    sentence = f"This {'night' if changes.accepted else 'run'} is {baseline_text(changes)}"
    if not changes.baseline:
        sentence = (
            "No run of this rack has been accepted yet, so every failure counts as new. "
            f"harness accept {run.run_id} makes this run the baseline."
        )
    kinds = (
        ("Newly failing", changes.newly_failing),
        ("Newly fixed", changes.newly_fixed),
        ("Unstable", changes.unstable),
        ("Could not be tested", changes.untested),
    )
    places = _places(run)
    rows = [_row(name, part, places, most) for name, part in kinds]
    counts = tally_text(change.now for change in changes.unchanged)
    rows.append(NewsRow("Unchanged", len(changes.unchanged), (), counts or NONE))
    return Since(sentence, tuple(rows))


Place = tuple[str, ...]
"""A chip by its serial number, or one of its tables: serial number, design, table."""


def _places(run: RunOverview) -> Mapping[Place, str]:
    """Find every chip and table of a run on its pages."""
    pages, places = chip_pages(run.chips), dict[Place, str]()
    for chip in run.chips:
        places[chip.chip_serial,] = page = pages[chip.slot]
        for number, table in enumerate(chip.tables, 1):
            place = chip.chip_serial, table.design, table.table
            places[place] = f"{page}#{table_anchor(number)}"
    return places


def _row(name: str, changes: Sequence[Change], places: Mapping[Place, str], most: int) -> NewsRow:
    news = [change for change in changes if not change.known]
    known = len(changes) - len(news)
    groups = _groups(news)
    left = sum(len(group) for group in groups[most:])
    more = Anchor(f"{many(left, 'more table')} in night.json", "night.json") if left else None
    remark = f"{many(known, 'table')} as before." if known else ""
    items = tuple(_item(group, places) for group in groups[:most])
    return NewsRow(name, len(changes), items, remark or ("" if items else NONE), more)


def _groups(news: Sequence[Change]) -> list[list[Change]]:
    """Put tables together that have chip, verdict and reason in common, in their order."""
    return [*grouped(((one.chip_serial, one.now, one.why), one) for one in news).values()]


def _item(group: Sequence[Change], places: Mapping[Place, str]) -> NewsItem:
    first, most = group[0], len(group)
    if most > MAX_SHOWN_TABLES:
        most = MAX_SHOWN_TABLES - 1
    tables = (
        Anchor(
            f"{one.design} / {one.table}", places.get((one.chip_serial, one.design, one.table), "")
        )
        for one in group[:most]
    )
    page = places.get((first.chip_serial,), "")
    left = len(group) - most
    return NewsItem(
        first.now,
        Anchor(first.chip_serial or "no chip serial", page),
        tuple(tables),
        Anchor(f"{left} more", page and f"{page}#all") if left else None,
        first.why,
    )
