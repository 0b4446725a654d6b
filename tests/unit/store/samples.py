"""Headings and chips to put into a store."""

from __future__ import annotations

from datetime import UTC, datetime

from harness.records import ChipRecord, RunKind, RunRecord

NOON = datetime(2026, 6, 1, 12, 0, tzinfo=UTC)


def heading(run_id: str = "r1", started: datetime = NOON) -> RunRecord:
    return RunRecord(
        run_id=run_id,
        kind=RunKind.RUN,
        started=started,
        finished=None,
        tool_version="0.1",
        shuttle="Pocket",
        organisation="Low Tide Silicon Club",
        shuttle_file="shuttle.toml",
        shuttle_sha256="ab",
        profile="Wader",
        profile_file="wader.toml",
        profile_sha256="cd",
        rack="bench",
        rack_file="",
        rack_sha256="",
        cancelled=False,
        chips=(),
        causes=(),
        continuity=(),
    )


def chip(slot: str = "A1", trouble: str = "") -> ChipRecord:
    return ChipRecord(
        slot, "PK-01", "WB-01", "virtual", True, "1", "none", "virtual", True, trouble, ()
    )
