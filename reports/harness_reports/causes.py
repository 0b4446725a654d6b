"""Causes as pages show them: what is likely, what else it may be, and what would settle it.

The one rule: a person's decision stands beside what the tool concluded, never in its place.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from harness.blame import odds_text
from harness.errors import many
from harness.records import (
    SEVERITY_ORDER,
    Candidate,
    Cause,
    CauseKind,
    ChipOverview,
    Origin,
    Overruling,
    RunOverview,
    TableVerdict,
    Verdict,
)
from harness_reports.looks import look
from harness_reports.names import chip_name, design_page, design_table
from harness_reports.texts import day
from harness_reports.ways import Anchor

MAX_SHOWN_CAUSES = 40
"""Maximum number of causes on the run's page; the JSON file has all of them."""
MAX_SHOWN_PLACES = 8
"""Maximum number of slots, and of tables, that a cause on the run's page names with links."""
_AT_ODDS = 1 / 20
"""How probable an explanation must be in relation to the best one, to be looked for."""

MAX_KEYS = 10
"""Maximum number of causes in the head of the run's page; the section of causes has more."""
MAX_LEADS = 3
"""Maximum number of causes in the head of a chip's page, or on its card; the page has all."""


@dataclass(frozen=True, kw_only=True)
class CauseRow(Cause):
    """One cause, as shown; each explanation with how much more probable the first one is.

    ``sure`` is empty where the summary says that it is not settled. On the run's page ``places``
    lead to its slots and ``named`` to its tables, the last of each to those left out; ``shapes``
    are those of the verdicts by which a person may look for it.
    """

    anchor: str
    sure: str
    against: tuple[tuple[str, str], ...]
    decided: str
    places: tuple[Anchor, ...] = ()
    named: tuple[Anchor, ...] = ()
    shapes: tuple[str, ...] = ()


def cause_rows(causes: Sequence[Cause]) -> tuple[CauseRow, ...]:
    """Work out how causes are shown; a key may hold anything, so anchors are numbers."""
    return tuple(_row(cause, f"cause-{number}") for number, cause in enumerate(causes, 1))


def _row(cause: Cause, anchor: str) -> CauseRow:
    return CauseRow(
        **vars(cause),
        anchor=anchor,
        sure="settled" if cause.settled else "",
        against=tuple((explanation_text(e), against_text(e)) for e in cause.explanations),
        decided=decision_text(cause.overruled) if cause.overruled else "",
    )


def explanation_text(parts: Sequence[Candidate]) -> str:
    """``open: in3``, ``short: out2, out3 (and) with stuck: in0 (low)``, ``design-defect: crc16``.

    The parts are the candidates of one explanation; a defect that goes with them is named last.
    """
    texts = [_part_text(part) for part in parts]
    first = parts[0]
    if first.design and not _lies_in_design(first):
        texts.append(f"{CauseKind.DESIGN_DEFECT}: {first.design}")
    return " with ".join(texts)


def _part_text(candidate: Candidate) -> str:
    place = candidate.design + (f"/{candidate.table}" if candidate.table else "")
    own = place if _lies_in_design(candidate) else ""
    names = ", ".join(name for name in (*candidate.pins, own) if name)
    detail = f" ({candidate.detail})" if candidate.detail else ""
    return f"{candidate.kind}: {names}{detail}" if names else f"{candidate.kind}{detail}"


def _lies_in_design(candidate: Candidate) -> bool:
    of_design = candidate.kind.party in (Origin.DESIGN, Origin.TABLE)
    return of_design or candidate.kind is CauseKind.DESIGN_DEFECT


def decision_text(decided: Overruling) -> str:
    """Say who decided otherwise, when and why."""
    return f"Overruled by {decided.name} on {day(decided.when)}: {decided.kind}. {decided.reason}"


def against_text(parts: Sequence[Candidate]) -> str:
    """How much more probable the best is than this explanation; a dash for the best."""
    odds = parts[0].odds
    if odds >= 1:
        return "–"
    return odds_text(1 / odds if odds > 0 else math.inf)


def shown_causes(
    run: RunOverview, pages: Mapping[str, str]
) -> tuple[tuple[CauseRow, ...], Anchor | None]:
    """The causes of a run's page, and how many more there are; ``pages`` are those of slots."""
    causes = run.causes[:MAX_SHOWN_CAUSES]
    chips = {chip.slot: chip for chip in run.chips}
    ran = {f"{t.design}/{t.table}": t for chip in run.chips for t in chip.tables}
    rows = tuple(
        replace(
            row,
            places=_places(row, chips, pages, ran),
            named=_named(row, pages, ran),
            shapes=tuple(_shapes(cause, chips)),
        )
        for row, cause in zip(cause_rows(causes), causes, strict=True)
    )
    left = len(run.causes) - len(rows)
    return rows, Anchor(f"{many(left, 'more cause')} in run.json", "run.json") if left else None


def _places(
    row: CauseRow,
    chips: Mapping[str, ChipOverview],
    pages: Mapping[str, str],
    ran: Mapping[str, TableVerdict],
) -> tuple[Anchor, ...]:
    """Lead to the cause on the page of each chip, and to a design that several chips share."""
    known = [slot for slot in row.slots if slot in chips]
    found = [
        Anchor(f"{slot} {chip_name(chips[slot])}", f"{pages[slot]}#{row.anchor}")
        for slot in known[:MAX_SHOWN_PLACES]
    ]
    designs = {ran[table].design for table in row.tables if table in ran}
    where = design_page(min(designs)) if len(designs) == 1 else "#map"
    if left := len(known) - len(found):
        found.append(Anchor(f"{left} more", where))
    return tuple(found)


def _named(
    row: CauseRow, pages: Mapping[str, str], ran: Mapping[str, TableVerdict]
) -> tuple[Anchor, ...]:
    """Lead to the tables on their designs' pages; the page of the first chip has all.

    A table that only the continuity test ran has no such page.
    """
    found = [
        Anchor(table, design_table(ran[table].design, ran[table].table) if table in ran else "")
        for table in row.tables[:MAX_SHOWN_PLACES]
    ]
    page = next((pages[slot] for slot in row.slots if slot in pages), "")
    if left := len(row.tables) - len(found):
        found.append(Anchor(f"{left} more", page and f"{page}#{row.anchor}"))
    return tuple(found)


def _shapes(cause: Cause, chips: Mapping[str, ChipOverview]) -> Iterator[str]:
    """Give the shapes of the verdicts that it explains, and those a contact or board shows as."""
    tables = set(cause.tables)
    own = [chips[slot] for slot in cause.slots if slot in chips]
    verdicts = {t.verdict for c in own for t in c.tables if f"{t.design}/{t.table}" in tables}
    if any(chip.trouble for chip in own):
        verdicts.add(Verdict.ERROR)
    near = {one.kind for one in cause.candidates if one.odds >= _AT_ODDS}
    if CauseKind.FLAKY_CONTACT in near:
        verdicts.add(Verdict.UNSTABLE)  # its tables are ERROR: their answers differ
    return (look(verdict).shape for verdict in SEVERITY_ORDER if verdict in verdicts)


def leads(rows: Sequence[CauseRow], slot: str) -> tuple[Anchor, ...]:
    """What is said first of a slot: the causes found there, with their places on the page."""
    return first_causes([row for row in rows if slot in row.slots], MAX_LEADS)


def first_causes(rows: Sequence[CauseRow], most: int = MAX_KEYS) -> tuple[Anchor, ...]:
    """The first of these causes in a line each, and how many more there are."""
    shown = [Anchor(row.summary, f"#{row.anchor}") for row in rows[:most]]
    left = rows[most:]
    more = [Anchor(f"and {many(len(left), 'more cause')}", f"#{left[0].anchor}")] if left else []
    return (*shown, *more)


def blamed(rows: Sequence[CauseRow]) -> Mapping[tuple[str, str], CauseRow]:
    """The cause of each slot and ``design/table`` that one of these explains."""
    return {(slot, table): row for row in rows for slot in row.slots for table in row.tables}
