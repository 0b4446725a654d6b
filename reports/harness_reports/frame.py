"""Outcomes as a table for people who go on with pandas.

The one rule: one row an outcome, and no column holds anything but plain values.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from harness.records import ChipRecord, MarginEdge, MarginRecord, Outcome, RunRecord

if TYPE_CHECKING:
    import pandas as pd

COLUMNS: dict[str, str] = {
    "run_id": "str",
    "shuttle": "str",
    "slot": "str",
    "chip_serial": "str",
    "board_serial": "str",
    "virtual": "bool",
    "design": "str",
    "address": "int64",
    "table": "str",
    "verdict": "str",
    "origin": "str",
    "summary": "str",
    "rows": "int64",
    "cycles": "int64",
    "mismatches": "int64",
    "first_cycle": "Int64",
    "first_line": "Int64",
    "first_pin": "str",
    "attempts": "int64",
    "answers": "int64",
    "clock_hz": "float64",
    "achieved_hz": "float64",
    "settle_us": "float64",
    "reset_cycles": "Int64",
    "exact": "boolean",
    "gaps": "Int64",
    "bytes_sent": "int64",
    "bytes_received": "int64",
    "round_trips": "int64",
    "frames_resent": "int64",
    "started": "datetime64[us, UTC]",
    "seconds": "float64",
    "table_sha256": "str",
    "ticket": "str",
}
"""Columns and their dtypes. ``answers`` counts different signatures among the attempts (1: the
repeats agree); ``gaps`` counts pauses between exact bursts; bytes, trips and frames are summed over
all attempts."""


def outcomes_frame(run: RunRecord) -> pd.DataFrame:
    """Return one row an outcome with the columns of :data:`COLUMNS`, in the run's order.

    What was not measured is NA (NaN in float columns), or empty in text columns.
    """
    import pandas as pd  # noqa: PLC0415 - it takes a second to load, and only these two need it

    rows = [_row(run, chip, outcome) for chip in run.chips for outcome in chip.outcomes]
    values = {name: [row[name] for row in rows] for name in COLUMNS}
    values["started"] = list(pd.to_datetime(pd.Series(values["started"], dtype="object"), utc=True))
    columns = {name: pd.Series(values[name], dtype=dtype) for name, dtype in COLUMNS.items()}
    return pd.DataFrame(columns)


MARGIN_COLUMNS: dict[str, str] = {
    "margin_id": "str",
    "run_id": "str",
    "chip_serial": "str",
    "board_serial": "str",
    "slot": "str",
    "virtual": "bool",
    "design": "str",
    "table": "str",
    "kind": "str",
    "sample_ns": "int64",
    "volts": "float64",
    "declared_hz": "float64",
    "highest_hz": "float64",
    "failing_hz": "float64",
    "percent": "float64",
    "exact": "bool",
    "points": "int64",
    "trials": "int64",
    "measured": "datetime64[us, UTC]",
    "seconds": "float64",
    "trouble": "str",
}
"""Columns and their dtypes; one row for each limit, so a shmoo has as many as it has sample points
or voltages. ``percent`` is the limit above the declared clock."""


def margins_frame(margins: Sequence[MarginRecord]) -> pd.DataFrame:
    """Return one row a limit with the columns of :data:`MARGIN_COLUMNS`, in the margins' order.

    What is not known is NaN. A search that broke off without a limit has no row.
    """
    import pandas as pd  # noqa: PLC0415 - it takes a second to load, and only these two need it

    rows = [_limit(margin, edge) for margin in margins for edge in margin.edges]
    values = {name: [row[name] for row in rows] for name in MARGIN_COLUMNS}
    measured = pd.to_datetime(pd.Series(values["measured"], dtype="object"), utc=True)
    values["measured"] = list(measured)
    return pd.DataFrame(
        {name: pd.Series(values[name], dtype=dtype) for name, dtype in MARGIN_COLUMNS.items()}
    )


def _limit(margin: MarginRecord, edge: MarginEdge) -> dict[str, object]:
    highest = math.nan if edge.highest_hz is None else edge.highest_hz
    same = (name for name in MARGIN_COLUMNS if name in MarginRecord.__dataclass_fields__)
    return {
        **{name: getattr(margin, name) for name in same},
        "kind": margin.kind.value,
        "sample_ns": edge.sample_ns,
        "volts": math.nan if edge.volts is None else edge.volts,
        "highest_hz": highest,
        "failing_hz": math.nan if edge.failing_hz is None else edge.failing_hz,
        "percent": (highest / margin.declared_hz - 1) * 100,
        "points": len(margin.points),
    }


def _row(run: RunRecord, chip: ChipRecord, outcome: Outcome) -> dict[str, object]:
    return {
        "run_id": run.run_id,
        "shuttle": run.shuttle,
        "slot": outcome.slot,
        "chip_serial": outcome.chip_serial,
        "board_serial": outcome.board_serial,
        "virtual": chip.virtual,
        "design": outcome.design,
        "address": outcome.design_address,
        "table": outcome.table,
        "verdict": outcome.verdict.value,
        "origin": outcome.origin.value,
        "summary": outcome.summary,
        "rows": outcome.rows,
        "cycles": outcome.cycles,
        "mismatches": outcome.mismatches,
        "started": outcome.started,
        "seconds": outcome.seconds,
        "table_sha256": outcome.table_sha256,
        "ticket": outcome.waiver.ticket if outcome.waiver else "",
        **_first(outcome),
        **_repeats(outcome),
        **_conditions(outcome),
    }


def _first(outcome: Outcome) -> dict[str, object]:
    if not outcome.evidence:
        return {"first_cycle": None, "first_line": None, "first_pin": ""}
    first = outcome.evidence[0]
    pin = first.wrong[0].pin if first.wrong else ""
    return {"first_cycle": first.cycle, "first_line": first.line, "first_pin": pin}


def _repeats(outcome: Outcome) -> dict[str, object]:
    attempts = outcome.attempts
    return {
        "attempts": len(attempts),
        "answers": len({attempt.signature for attempt in attempts}),
        "bytes_sent": sum(attempt.bytes_sent for attempt in attempts),
        "bytes_received": sum(attempt.bytes_received for attempt in attempts),
        "round_trips": sum(attempt.round_trips for attempt in attempts),
        "frames_resent": sum(attempt.frames_resent for attempt in attempts),
    }


def _conditions(outcome: Outcome) -> dict[str, object]:
    asked = outcome.conditions
    if asked is None:
        return {"clock_hz": math.nan, "achieved_hz": math.nan, "settle_us": math.nan,
                "reset_cycles": None, "exact": None, "gaps": None}  # fmt: skip
    return {"clock_hz": asked.clock_hz, "achieved_hz": asked.achieved_hz,
            "settle_us": asked.settle_us, "reset_cycles": asked.reset_cycles,
            "exact": asked.exact, "gaps": asked.gaps}  # fmt: skip
