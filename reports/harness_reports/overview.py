"""The page of a whole run, worked out before anything is rendered.

The one rule: the page stays one that a person can read, however many chips there were.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from harness.errors import many
from harness.records import SEVERITY_ORDER, ChipOverview, RunOverview, Verdict, worst
from harness_reports.causes import CauseRow, blamed, first_causes, leads, shown_causes
from harness_reports.looks import Fact, Tally, look, tally_text
from harness_reports.margin_history import Series, series_of_run
from harness_reports.names import chip_pages
from harness_reports.pages import run_facts, source_facts
from harness_reports.pin_map import PIN_LOOKS, pin_maps
from harness_reports.rack_map import RackMap, map_cells, verdict_maps
from harness_reports.since import Since, build_since
from harness_reports.texts import unstable_remark
from harness_reports.ways import ALONE, Anchor, Beyond, Ways, run_ways

MAX_SHOWN_CHIPS = 8
"""Maximum number of chips named per verdict of a table; the map and chip pages have the rest."""

Key = tuple[str, str]
"""A design and a table."""


@dataclass(frozen=True)
class Group:
    """The chips that got one verdict, and the first of them, which are named."""

    verdict: Verdict
    chips: tuple[ChipOverview, ...]

    @property
    def named(self) -> tuple[ChipOverview, ...]:
        """The chips to name; those that passed are only counted."""
        return () if self.verdict is Verdict.PASS else self.chips[:MAX_SHOWN_CHIPS]

    @property
    def more(self) -> str:
        """How many chips are left out after those that are named."""
        hidden = len(self.chips) - len(self.named)
        return f"and {hidden:,} more" if self.named and hidden else ""


@dataclass(frozen=True)
class IndexPage:
    """The page of the whole run; ``pages`` are the addresses of the chips' pages by slot.

    Tables that did not pass everywhere are in ``spreads``, with the chips by verdict. ``blamed``
    gives the cause by slot and table, ``leads`` what is said first of each slot with a bad
    chip, ``keys`` of the whole run; ``cells`` and ``pin_cells`` count those of the maps.
    """

    run: RunOverview
    verdict: Verdict
    headline: str
    unstable: str
    since: Since | None
    keys: tuple[Anchor, ...]
    causes: tuple[CauseRow, ...]
    more_causes: Anchor | None
    pins: tuple[RackMap, ...]
    blamed: Mapping[tuple[str, str], CauseRow]
    leads: Mapping[str, tuple[Anchor, ...]]
    pages: Mapping[str, str]
    groups: tuple[Group, ...]
    maps: tuple[RackMap, ...]
    cells: tuple[Tally, ...]
    pin_cells: tuple[Tally, ...]
    spreads: Mapping[Key, tuple[Group, ...]]
    agreed: str
    margins: tuple[Series, ...]
    conditions: tuple[Fact, ...]
    sources: tuple[Fact, ...]
    ways: Ways


def build_index(run: RunOverview, beyond: Beyond = ALONE) -> IndexPage:
    """Work out the run's page: the rack, chips by verdict, and tables that differ between chips."""
    pages = chip_pages(run.chips)
    verdicts = [chip.verdict for chip in run.chips]
    uneven, agreed = _uneven(run.chips)
    causes, more_causes = shown_causes(run, pages)
    maps, pins = verdict_maps(run.chips, pages), pin_maps(run, pages)
    return IndexPage(
        run=run,
        verdict=worst(verdicts),
        headline=_run_headline(verdicts),
        unstable=unstable_remark(table.verdict for chip in run.chips for table in chip.tables),
        since=None if beyond.night is None else build_since(beyond.night, run),
        keys=first_causes(causes),
        causes=causes,
        more_causes=more_causes,
        pins=pins,
        blamed=blamed(causes),
        leads={c.slot: () if c.verdict.good else leads(causes, c.slot) for c in run.chips},
        pages=pages,
        groups=_groups(run.chips, verdicts),
        maps=maps,
        cells=map_cells(maps, map(look, SEVERITY_ORDER)),
        pin_cells=map_cells(pins, PIN_LOOKS.values()),
        spreads={key: _groups(run.chips, own) for key, own in uneven.items()},
        agreed=agreed,
        margins=series_of_run(run.run_id, beyond.margins),
        conditions=run_facts(run),
        sources=source_facts(run),
        ways=run_ways(run, beyond),
    )


def _groups(chips: Sequence[ChipOverview], verdicts: Sequence[Verdict | None]) -> tuple[Group, ...]:
    """Put chips together by their verdicts, the worst first; None is left out."""
    pairs = list(zip(chips, verdicts, strict=True))
    groups = (Group(v, tuple(chip for chip, own in pairs if own is v)) for v in SEVERITY_ORDER)
    return tuple(group for group in groups if group.chips)


def _run_headline(verdicts: Sequence[Verdict]) -> str:
    if not verdicts:
        return "The rack had no chips."
    return f"{many(len(verdicts), 'chip')}: {tally_text(verdicts)}."


def _uneven(chips: Sequence[ChipOverview]) -> tuple[dict[Key, tuple[Verdict | None, ...]], str]:
    """Give each chip's verdict of the tables that did not pass on all, and a sentence on the rest.

    Chips that were never reached do not count.
    """
    tables = [{(t.design, t.table): t.verdict for t in chip.tables} for chip in chips]
    keys = dict.fromkeys(key for verdicts in tables for key in verdicts)
    reached = [verdicts for verdicts in tables if {*verdicts.values()} - {Verdict.NOT_RUN}]
    uneven = [key for key in keys if any(v.get(key) is not Verdict.PASS for v in reached)]
    rows = {key: tuple(verdicts.get(key) for verdicts in tables) for key in uneven}
    return rows, _agreed(len(keys), len(keys) - len(uneven))


def _agreed(tables: int, agreed: int) -> str:
    if not tables:
        return "No table was reached on any chip."
    passed = many(agreed, "table") if agreed else "No table"
    return f"{passed} passed on every chip that could be tested."
