"""Outcomes and limits as pandas data frames.

The one rule: no column holds anything but plain values, all of the column's type.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeVar

from harness.records import (
    Candidate,
    Cause,
    ChipRecord,
    EvidenceCycle,
    MarginEdge,
    MarginRecord,
    Outcome,
    PinCount,
    PinResult,
    RunRecord,
)

if TYPE_CHECKING:
    import pandas as pd

Row = TypeVar("Row")
Column = tuple[str, str | Callable[[Row], object]]
"""The dtype of a column, and where a row has its value, or what works it out."""

Columns = Mapping[str, Column[Any]]

COLUMNS: Mapping[str, Column[_Row]] = {
    "run_id": ("str", "run.run_id"),
    "shuttle": ("str", "run.shuttle"),
    "slot": ("str", "outcome.slot"),
    "chip_serial": ("str", "outcome.chip_serial"),
    "board_serial": ("str", "outcome.board_serial"),
    "virtual": ("bool", "chip.virtual"),
    "design": ("str", "outcome.design"),
    "address": ("int64", "outcome.design_address"),
    "table": ("str", "outcome.table"),
    "verdict": ("str", "outcome.verdict.value"),
    "reason": ("str", "outcome.reason.value"),
    "origin": ("str", "outcome.origin.value"),
    "cause": ("str", "outcome.cause"),
    "counts": ("bool", "outcome.counts"),
    "provisional": ("bool", lambda row: not row.outcome.rules),
    "summary": ("str", "outcome.summary"),
    "rows": ("int64", "outcome.rows"),
    "cycles": ("int64", "outcome.cycles"),
    "mismatches": ("int64", "outcome.mismatches"),
    "first_cycle": ("Int64", "first.cycle"),
    "first_line": ("Int64", "first.line"),
    "first_pin": ("str", "first_pin.pin"),
    "attempts": ("int64", lambda row: len(row.outcome.attempts)),
    "answers": ("int64", lambda row: len({run.signature for run in row.outcome.attempts})),
    "clock_hz": ("float64", "outcome.conditions.clock_hz"),
    "achieved_hz": ("float64", "outcome.conditions.achieved_hz"),
    "settle_us": ("float64", "outcome.conditions.settle_us"),
    "reset_cycles": ("Int64", "outcome.conditions.reset_cycles"),
    "exact": ("boolean", "outcome.conditions.exact"),
    "gaps": ("Int64", "outcome.conditions.gaps"),
    "bytes_sent": ("int64", lambda row: sum(run.bytes_sent for run in row.outcome.attempts)),
    "bytes_received": (
        "int64",
        lambda row: sum(run.bytes_received for run in row.outcome.attempts),
    ),
    "round_trips": ("int64", lambda row: sum(run.round_trips for run in row.outcome.attempts)),
    "frames_resent": ("int64", lambda row: sum(run.frames_resent for run in row.outcome.attempts)),
    "started": ("datetime64[us, UTC]", "outcome.started"),
    "seconds": ("float64", "outcome.seconds"),
    "table_sha256": ("str", "outcome.table_sha256"),
    "ticket": ("str", "outcome.waiver.ticket"),
    "expired": ("bool", "outcome.expired"),
}
"""``answers`` counts different signatures among the attempts (1: the repeats agree); ``gaps``, the
pauses between exact bursts; bytes, trips and frames are summed over all attempts; ``counts`` is
false for a failure of the table or the design, which says nothing about the chip."""

CAUSE_COLUMNS: Mapping[str, Column[_Caused]] = {
    "run_id": ("str", "run.run_id"),
    "key": ("str", "cause.key"),
    "slots": ("str", lambda row: " ".join(row.cause.slots)),
    "chips": ("str", lambda row: " ".join(row.cause.chips)),
    "kind": ("str", lambda row: " ".join(part.kind.value for part in row.parts)),
    "party": ("str", "first.kind.party.value"),
    "pins": ("str", lambda row: " ".join(pin for part in row.parts for pin in part.pins)),
    "design": ("str", "first.design"),
    "odds": ("float64", "cause.odds"),
    "settled": ("bool", "cause.settled"),
    "tables": ("int64", lambda row: len(row.cause.tables)),
    "overruled": ("str", "cause.overruled.kind.value"),
    "summary": ("str", "cause.summary"),
}
"""One row for each cause; ``slots``, ``chips`` and ``pins`` are separated by spaces, and so are
the ``kind`` of two faults at once; ``party`` is that of the first."""

PIN_COLUMNS: Mapping[str, Column[_WrongPin]] = {
    "run_id": ("str", "run.run_id"),
    "slot": ("str", "outcome.slot"),
    "chip_serial": ("str", "outcome.chip_serial"),
    "board_serial": ("str", "outcome.board_serial"),
    "design": ("str", "outcome.design"),
    "table": ("str", "outcome.table"),
    "verdict": ("str", "outcome.verdict.value"),
    "started": ("datetime64[us, UTC]", "outcome.started"),
    "pin": ("str", "pin.pin"),
    "signal": ("str", "pin.signal"),
    "mismatches": ("int64", "pin.mismatches"),
}
"""One row for each pin that was wrong in a table; ``mismatches`` counts the cycles."""

MARGIN_COLUMNS: Mapping[str, Column[_Limit]] = {
    "margin_id": ("str", "margin.margin_id"),
    "run_id": ("str", "margin.run_id"),
    "chip_serial": ("str", "margin.chip_serial"),
    "board_serial": ("str", "margin.board_serial"),
    "slot": ("str", "margin.slot"),
    "virtual": ("bool", "margin.virtual"),
    "design": ("str", "margin.design"),
    "table": ("str", "margin.table"),
    "kind": ("str", "margin.kind.value"),
    "sample_ns": ("int64", "edge.sample_ns"),
    "volts": ("float64", "edge.volts"),
    "declared_hz": ("float64", "margin.declared_hz"),
    "highest_hz": ("float64", "edge.highest_hz"),
    "failing_hz": ("float64", "edge.failing_hz"),
    "percent": ("float64", "percent"),
    "exact": ("bool", "margin.exact"),
    "points": ("int64", lambda row: len(row.margin.points)),
    "trials": ("int64", "margin.trials"),
    "measured": ("datetime64[us, UTC]", "margin.measured"),
    "seconds": ("float64", "margin.seconds"),
    "trouble": ("str", "margin.trouble"),
}
"""One row for each limit, so a shmoo has as many as it has sample points or voltages. ``percent``
is the limit above the declared clock."""


@dataclass(frozen=True)
class _Row:
    """What a row of outcomes is made of."""

    run: RunRecord
    chip: ChipRecord
    outcome: Outcome

    @property
    def first(self) -> EvidenceCycle | None:
        return self.outcome.evidence[0] if self.outcome.evidence else None

    @property
    def first_pin(self) -> PinResult | None:
        return self.first.wrong[0] if self.first and self.first.wrong else None


@dataclass(frozen=True)
class _WrongPin:
    """What a row of wrong pins is made of."""

    run: RunRecord
    outcome: Outcome
    pin: PinCount


@dataclass(frozen=True)
class _Caused:
    """What a row of causes is made of."""

    run: RunRecord
    cause: Cause

    @property
    def parts(self) -> tuple[Candidate, ...]:
        return next(iter(self.cause.explanations), ())

    @property
    def first(self) -> Candidate | None:
        return next(iter(self.parts), None)


@dataclass(frozen=True)
class _Limit:
    """What a row of limits is made of."""

    margin: MarginRecord
    edge: MarginEdge

    @property
    def percent(self) -> float | None:
        highest = self.edge.highest_hz
        return None if highest is None else (highest / self.margin.declared_hz - 1) * 100


def outcomes_frame(run: RunRecord) -> pd.DataFrame:
    """Return one row an outcome with the columns of :data:`COLUMNS`, in the run's order.

    What was not measured is NA (NaN in float columns), or empty in text columns.
    """
    return _frame(COLUMNS, [_Row(run, c, outcome) for c in run.chips for outcome in c.outcomes])


def causes_frame(run: RunRecord) -> pd.DataFrame:
    """Return one row a cause with the columns of :data:`CAUSE_COLUMNS`, in the run's order."""
    return _frame(CAUSE_COLUMNS, [_Caused(run, cause) for cause in run.causes])


def pins_frame(run: RunRecord) -> pd.DataFrame:
    """Return one row for each wrong pin of each table with the columns of :data:`PIN_COLUMNS`."""
    wrong = [_WrongPin(run, outcome, pin) for outcome in run.outcomes for pin in outcome.pin_counts]
    return _frame(PIN_COLUMNS, wrong)


def margins_frame(margins: Sequence[MarginRecord]) -> pd.DataFrame:
    """Return one row a limit with the columns of :data:`MARGIN_COLUMNS`, in the margins' order.

    Unknown values are NaN. An incomplete search without a limit has no row.
    """
    return _frame(MARGIN_COLUMNS, [_Limit(one, edge) for one in margins for edge in one.edges])


def _frame(columns: Mapping[str, Column[Row]], rows: Sequence[Row]) -> pd.DataFrame:
    import pandas as pd  # noqa: PLC0415 - it takes a second to load, and only these need it

    made = {}
    for name, (dtype, place) in columns.items():
        values = pd.Series([_value(row, place, dtype) for row in rows], dtype="object")
        made[name] = pd.to_datetime(values, utc=True) if "datetime" in dtype else values
    return pd.DataFrame(made).astype({name: dtype for name, (dtype, _) in columns.items()})


def _value(row: Row, place: str | Callable[[Row], object], dtype: str) -> object:
    """Work a value out, or follow a dotted path in a row; a missing part gives no value."""
    if not isinstance(place, str):
        return place(row)
    found: object = row
    for name in place.split("."):
        found = getattr(found, name, None)
    return "" if found is None and dtype == "str" else found
