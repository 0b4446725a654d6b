"""Margins as tests need them."""

from __future__ import annotations

from datetime import timedelta

from harness.records import MarginEdge, MarginKind, MarginPoint, MarginRecord
from tests.unit.store.samples import NOON


def margin(night: int, highest: float | None, step: float = 10.0) -> MarginRecord:
    """A search on the given day that found its limit between ``highest`` and one step more."""
    failing = None if highest is None else highest + step
    points = [MarginPoint(failing or 100.0, failing or 100.0, 0, None, 4, 0, passing=False)]
    if highest is not None:
        points.append(MarginPoint(highest, highest, 0, None, 16, 16, passing=True))
    return MarginRecord(
        margin_id=f"m{night:03}",
        run_id="",
        measured=NOON + timedelta(days=night),
        shuttle="Sandpiper 2",
        rack="bench",
        slot="A1",
        chip_serial="SP2-0001",
        board_serial="WB-01",
        virtual=True,
        design="crc16",
        table="",
        tables_sha256="ab" * 32,
        kind=MarginKind.RATE,
        declared_hz=1e3,
        promised_hz=1e3,
        slowest_hz=100.0,
        fastest_hz=1e5,
        exact=True,
        edges=(MarginEdge(0, None, highest, failing),),
        noise_low_hz=highest,
        noise_high_hz=failing,
        points=tuple(points),
        trials=20,
        seconds=1.5,
        trouble="",
    )
