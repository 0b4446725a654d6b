"""What went over a design's serial interfaces around the first wrong piece of a failing table.

The one rule: what the record cannot show is left out; nothing here fails on a damaged record.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from harness.convert import Exchange, exchanges
from harness.records import Outcome, RunRecord

MAX_SHOWN = 12
"""Maximum number of characters, words and bytes shown of one table."""
BEFORE = 3
"""How many of them come before the first wrong one."""


@dataclass(frozen=True)
class TableExchange(Exchange):
    """One exchange of a table of a run."""

    chip: str
    slot: str
    design: str
    table: str


def shown_exchanges(outcome: Outcome) -> tuple[Exchange, ...]:
    """Give those around the first wrong one; none if none is wrong."""
    if outcome.long_window is None or not outcome.serial:
        return ()
    try:
        seen = exchanges(outcome.long_window, outcome.serial)
    except ValueError:
        return ()
    first = next((place for place, one in enumerate(seen) if one.wrong), None)
    if first is None:
        return ()
    start = max(0, first - BEFORE)
    return seen[start : start + MAX_SHOWN]


def first_wrong(outcome: Outcome) -> str:
    """Return the text of the first wrong one; empty if there is none."""
    return next((one.text for one in shown_exchanges(outcome) if one.wrong), "")


def exchanges_of(run: RunRecord) -> Iterator[TableExchange]:
    """Give what is shown of every table of a run."""
    for chip in run.chips:
        for outcome in chip.outcomes:
            for one in shown_exchanges(outcome):
                yield TableExchange(
                    **vars(one),
                    chip=chip.chip_serial,
                    slot=chip.slot,
                    design=outcome.design,
                    table=outcome.table,
                )
