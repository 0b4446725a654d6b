"""Outcomes and limits as pandas data frames.

The one rule: no column holds anything but plain values, all of the column's type.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import SimpleNamespace
from typing import TYPE_CHECKING

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

Columns = Mapping[str, tuple[str, str]]
"""The dtype of each column, and where a row has its value."""

COLUMNS: Columns = {
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
    "provisional": ("bool", "provisional"),
    "summary": ("str", "outcome.summary"),
    "rows": ("int64", "outcome.rows"),
    "cycles": ("int64", "outcome.cycles"),
    "mismatches": ("int64", "outcome.mismatches"),
    "first_cycle": ("Int64", "first.cycle"),
    "first_line": ("Int64", "first.line"),
    "first_pin": ("str", "first_pin.pin"),
    "attempts": ("int64", "attempts"),
    "answers": ("int64", "answers"),
    "clock_hz": ("float64", "outcome.conditions.clock_hz"),
    "achieved_hz": ("float64", "outcome.conditions.achieved_hz"),
    "settle_us": ("float64", "outcome.conditions.settle_us"),
    "reset_cycles": ("Int64", "outcome.conditions.reset_cycles"),
    "exact": ("boolean", "outcome.conditions.exact"),
    "gaps": ("Int64", "outcome.conditions.gaps"),
    "bytes_sent": ("int64", "sums.bytes_sent"),
    "bytes_received": ("int64", "sums.bytes_received"),
    "round_trips": ("int64", "sums.round_trips"),
    "frames_resent": ("int64", "sums.frames_resent"),
    "started": ("datetime64[us, UTC]", "outcome.started"),
    "seconds": ("float64", "outcome.seconds"),
    "table_sha256": ("str", "outcome.table_sha256"),
    "ticket": ("str", "outcome.waiver.ticket"),
    "expired": ("bool", "outcome.expired"),
}
"""``answers`` counts different signatures among the attempts (1: the repeats agree); ``gaps``, the
pauses between exact bursts; bytes, trips and frames are summed over all attempts; ``counts`` is
false for a failure of the table or the design, which says nothing about the chip."""

CAUSE_COLUMNS: Columns = {
    "run_id": ("str", "run.run_id"),
    "key": ("str", "cause.key"),
    "slots": ("str", "slots"),
    "chips": ("str", "chips"),
    "kind": ("str", "kinds"),
    "party": ("str", "first.kind.party.value"),
    "pins": ("str", "pins"),
    "design": ("str", "first.design"),
    "odds": ("float64", "cause.odds"),
    "settled": ("bool", "cause.settled"),
    "tables": ("int64", "tables"),
    "overruled": ("str", "cause.overruled.kind.value"),
    "summary": ("str", "cause.summary"),
}
"""One row for each cause; ``slots``, ``chips`` and ``pins`` are separated by spaces, and so are
the ``kind`` of two faults at once; ``party`` is that of the first."""

PIN_COLUMNS: Columns = {
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

MARGIN_COLUMNS: Columns = {
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
    "points": ("int64", "points"),
    "trials": ("int64", "margin.trials"),
    "measured": ("datetime64[us, UTC]", "margin.measured"),
    "seconds": ("float64", "margin.seconds"),
    "trouble": ("str", "margin.trouble"),
}
"""One row for each limit, so a shmoo has as many as it has sample points or voltages. ``percent``
is the limit above the declared clock."""


_SUMS = ("bytes_sent", "bytes_received", "round_trips", "frames_resent")


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

    @property
    def provisional(self) -> bool:
        return not self.outcome.rules

    @property
    def attempts(self) -> int:
        return len(self.outcome.attempts)

    @property
    def answers(self) -> int:
        return len({attempt.signature for attempt in self.outcome.attempts})

    @property
    def sums(self) -> SimpleNamespace:
        attempts = self.outcome.attempts
        return SimpleNamespace(**{name: sum(getattr(a, name) for a in attempts) for name in _SUMS})


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

    @property
    def kinds(self) -> str:
        return " ".join(part.kind.value for part in self.parts)

    @property
    def slots(self) -> str:
        return " ".join(self.cause.slots)

    @property
    def chips(self) -> str:
        return " ".join(self.cause.chips)

    @property
    def pins(self) -> str:
        return " ".join(pin for part in self.parts for pin in part.pins)

    @property
    def tables(self) -> int:
        return len(self.cause.tables)


@dataclass(frozen=True)
class _Limit:
    """What a row of limits is made of."""

    margin: MarginRecord
    edge: MarginEdge

    @property
    def percent(self) -> float | None:
        highest = self.edge.highest_hz
        return None if highest is None else (highest / self.margin.declared_hz - 1) * 100

    @property
    def points(self) -> int:
        return len(self.margin.points)


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
    outcomes = (outcome for chip in run.chips for outcome in chip.outcomes)
    return _frame(PIN_COLUMNS, [_WrongPin(run, o, pin) for o in outcomes for pin in o.pin_counts])


def margins_frame(margins: Sequence[MarginRecord]) -> pd.DataFrame:
    """Return one row a limit with the columns of :data:`MARGIN_COLUMNS`, in the margins' order.

    Unknown values are NaN. An incomplete search without a limit has no row.
    """
    return _frame(MARGIN_COLUMNS, [_Limit(one, edge) for one in margins for edge in one.edges])


def _frame(columns: Columns, rows: Sequence[object]) -> pd.DataFrame:
    import pandas as pd  # noqa: PLC0415 - it takes a second to load, and only these need it

    made = {}
    for name, (dtype, place) in columns.items():
        values = pd.Series([_value(row, place, dtype) for row in rows], dtype="object")
        made[name] = pd.to_datetime(values, utc=True) if "datetime" in dtype else values
    return pd.DataFrame(made).astype({name: dtype for name, (dtype, _) in columns.items()})


def _value(row: object, place: str, dtype: str) -> object:
    """Follow a dotted path in a row; a missing part gives no value."""
    for name in place.split("."):
        row = getattr(row, name, None)
    return "" if row is None and dtype == "str" else row
