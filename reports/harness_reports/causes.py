"""Causes as pages show them: what is likely, what else it may be, and what would settle it.

The one rule: a person's decision stands beside what the tool concluded, never in its place.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from harness.blame import odds_text
from harness.errors import many
from harness.records import (
    Candidate,
    Cause,
    CauseKind,
    Observation,
    Origin,
    Overruling,
    RunOverview,
)
from harness_reports.suspects import SuspectList, suspect_lists
from harness_reports.texts import day
from harness_reports.ways import Anchor

MAX_SHOWN_CAUSES = 40
"""Maximum number of causes on the run's page; the JSON file has all of them."""

MAX_LEADS = 3
"""Maximum number of causes in the head of a chip's page, or on its card; the page has all."""


@dataclass(frozen=True)
class CauseRow:
    """One cause, as shown; each candidate with how much more probable the first one is."""

    anchor: str
    key: str
    slots: tuple[str, ...]
    summary: str
    advice: str
    sure: str
    candidates: tuple[tuple[str, str], ...]
    observations: tuple[Observation, ...]
    tables: tuple[str, ...]
    decided: str
    suspects: tuple[SuspectList, ...]


def cause_rows(causes: Sequence[Cause]) -> tuple[CauseRow, ...]:
    """Work out how causes are shown; a key may hold anything, so anchors are numbers."""
    return tuple(_row(cause, f"cause-{number}") for number, cause in enumerate(causes, 1))


def _row(cause: Cause, anchor: str) -> CauseRow:
    return CauseRow(
        anchor=anchor,
        key=cause.key,
        slots=cause.slots,
        summary=cause.summary,
        advice=cause.advice,
        sure="settled" if cause.settled else "not settled",
        candidates=tuple((explanation_text(e), against_text(e)) for e in cause.explanations),
        observations=cause.observations,
        tables=cause.tables,
        decided=decision_text(cause.overruled) if cause.overruled else "",
        suspects=suspect_lists(cause.suspects),
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


def shown_causes(run: RunOverview) -> tuple[tuple[CauseRow, ...], str]:
    """The causes of a run's page, and how many more there are."""
    rows = cause_rows(run.causes[:MAX_SHOWN_CAUSES])
    left = len(run.causes) - len(rows)
    return rows, f"{many(left, 'more cause')}: see run.json." if left else ""


def leads(rows: Sequence[CauseRow], slot: str) -> tuple[Anchor, ...]:
    """What is said first of a slot: the causes found there, with their places on the page."""
    own = [row for row in rows if slot in row.slots]
    shown = [Anchor(row.summary, f"#{row.anchor}") for row in own[:MAX_LEADS]]
    left = own[MAX_LEADS:]
    more = [Anchor(f"and {many(len(left), 'more cause')}", f"#{left[0].anchor}")] if left else []
    return (*shown, *more)


def blamed(rows: Sequence[CauseRow]) -> Mapping[tuple[str, str], CauseRow]:
    """The cause of each slot and ``design/table`` that one of these explains."""
    return {(slot, table): row for row in rows for slot in row.slots for table in row.tables}
