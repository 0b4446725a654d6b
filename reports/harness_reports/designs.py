"""The page of one design of a run: its tables, and for each of them a row for every chip.

The one rule: chips that answer alike are named together, for that tells a design from its chips.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from string import ascii_uppercase

from harness.blame import alike
from harness.errors import many
from harness.grouping import grouped
from harness.records import SEVERITY_ORDER, DesignOfRun, Outcome, Verdict, worst
from harness_reports.causes import CauseRow, cause_rows
from harness_reports.looks import Fact, tally_text
from harness_reports.names import chip_name, chip_pages, design_page, design_table, table_anchor
from harness_reports.texts import conditions_text, rehearsal_text
from harness_reports.values import first_line
from harness_reports.ways import ALONE, Anchor, Beyond, Sibling, Ways, design_ways

UP = "../"
"""From the folder of these pages to that of the run."""


@dataclass(frozen=True)
class ChipRow:
    """A table on one chip: where it stands on the chip's page, and what was wrong there first.

    ``group`` is the name of the chips that answered alike, empty for one that stands alone.
    """

    slot: str
    chip: Anchor
    outcome: Outcome
    first: str
    group: str
    cause: Anchor | None


@dataclass(frozen=True)
class Alike:
    """Chips that gave the same wrong answer: the name of their group, and a sentence."""

    name: str
    sentence: str


@dataclass(frozen=True)
class DesignTable:
    """A table of the design; the worst chips come first."""

    name: str
    anchor: str
    tally: str
    facts: tuple[Fact, ...]
    groups: tuple[Alike, ...]
    rows: tuple[ChipRow, ...]


@dataclass(frozen=True)
class DesignPage:
    """The page of one design of a run; ``causes`` are those that explain a table of it."""

    run: DesignOfRun
    title: str
    verdict: Verdict
    headline: str
    facts: tuple[Fact, ...]
    causes: tuple[CauseRow, ...]
    tables: tuple[DesignTable, ...]
    unreached: tuple[Anchor, ...]
    ways: Ways


def build_design(run: DesignOfRun, beyond: Beyond = ALONE) -> DesignPage:
    """Work out the page of a design, which has at least one outcome."""
    tables = grouped((outcome.table, outcome) for outcome in run.outcomes)
    first = run.outcomes[0]
    keys = {outcome.cause for outcome in run.outcomes}
    causes = tuple(row for row in cause_rows(run.causes) if row.key in keys)
    places, pages = _places(run), chip_pages(run.chips)
    reached = {outcome.slot for outcome in run.outcomes}
    verdicts = [outcome.verdict for outcome in run.outcomes]
    return DesignPage(
        run=run,
        title=first.design_title,
        verdict=worst(verdicts),
        headline=f"{many(len(tables), 'table')} on {many(len(reached), 'chip')}, "
        f"{many(len(verdicts), 'result')}: {tally_text(verdicts)}.",
        facts=_facts(first),
        causes=causes,
        tables=tuple(_table(name, own, causes, places) for name, own in tables.items()),
        unreached=tuple(
            Anchor(f"{chip.slot} {chip_name(chip)}", UP + pages[chip.slot])
            for chip in run.chips
            if chip.slot not in reached
        ),
        ways=_ways(run, beyond),
    )


def _facts(first: Outcome) -> tuple[Fact, ...]:
    author = f", by {first.design_author}" if first.design_author else ""
    return (
        Fact("Design", f"{first.design_title}{author}"),
        Fact("Address", str(first.design_address)),
        Fact("Source of expected values", first.design_source),
    )


def _places(run: DesignOfRun) -> Mapping[tuple[str, str], Anchor]:
    """Find each slot and table of the design on its chip's page."""
    pages = chip_pages(run.chips)
    return {
        (chip.slot, table.table): Anchor(
            chip_name(chip), f"{UP}{pages[chip.slot]}#{table_anchor(number)}"
        )
        for chip in run.chips
        for number, table in enumerate(chip.tables, 1)
        if table.design == run.design
    }


def _table(
    name: str,
    outcomes: Sequence[Outcome],
    causes: Sequence[CauseRow],
    places: Mapping[tuple[str, str], Anchor],
) -> DesignTable:
    found = sorted(alike(outcomes), key=lambda group: -len(group.slots))
    names = {slot: _name(place) for place, group in enumerate(found) for slot in group.slots}
    by_key = {row.key: row for row in causes}
    rows = [
        _row(outcome, places[outcome.slot, name], names, by_key.get(outcome.cause))
        for outcome in sorted(outcomes, key=lambda one: SEVERITY_ORDER.index(one.verdict))
    ]
    groups = [
        Alike(
            _name(place),
            f"{len(group.slots)} of the {many(group.tested, 'chip')} that answered "
            + ("give the same wrong answer." if group.steady else "give answers that differ."),
        )
        for place, group in enumerate(found)
    ]
    return DesignTable(
        name=name,
        anchor=design_table(outcomes[0].design, name).partition("#")[2],
        tally=f"{many(len(outcomes), 'chip')}: {tally_text(one.verdict for one in outcomes)}.",
        facts=_table_facts(outcomes[0]),
        groups=tuple(groups),
        rows=tuple(rows),
    )


def _table_facts(first: Outcome) -> tuple[Fact, ...]:
    return (
        Fact("Table file", f"{first.table_file}, SHA-256 {first.table_sha256[:12]}", "code"),
        Fact("Conditions", conditions_text(first.conditions)),
        Fact("Rehearsal", rehearsal_text(first.rehearsal)),
    )


def _row(
    outcome: Outcome, chip: Anchor, names: Mapping[str, str], cause: CauseRow | None
) -> ChipRow:
    page = chip.address.partition("#")[0]
    return ChipRow(
        slot=outcome.slot,
        chip=chip,
        outcome=outcome,
        first="" if outcome.verdict is Verdict.PASS else first_line(outcome),
        group=names.get(outcome.slot, ""),
        cause=None if cause is None else Anchor(cause.key, f"{page}#{cause.anchor}"),
    )


def _name(place: int) -> str:
    """Call the groups A, B … and after Z by numbers."""
    return ascii_uppercase[place] if place < len(ascii_uppercase) else str(place + 1)


def _ways(run: DesignOfRun, beyond: Beyond) -> Ways:
    good: dict[str, bool] = {}
    for table in (table for chip in run.chips for table in chip.tables):
        good[table.design] = good.get(table.design, True) and table.verdict.good
    designs = [Sibling(name, design_page(name), not fine) for name, fine in good.items()]
    return design_ways(run, designs, list(good).index(run.design), beyond)
