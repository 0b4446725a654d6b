"""Where answers differ and leave a cause open, deciding tables run again, and not for ever."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.cli import main
from harness.records import RunRecord, Verdict
from harness.store import Store
from tests.system.test_nightly import small_rack

FLAKY = """
[[slot.defect]]
kind = "net-stuck"
design = "crc16"
net = "rem[9]"
level = 0
probability = 0.02
"""
ONCE, MOST = 3, 13
"""Runs of a table with a mismatch, and with two rounds of five more."""


def ran(folder: Path, *options: str) -> tuple[int, RunRecord]:
    place = folder / "s.sqlite"
    where = ["--store", str(place), "--out", str(folder / "out")]
    code = main(["run", str(small_rack(folder, FLAKY)), *where, *options])
    with Store.existing(place) as store:
        return code, store.latest_run()


def attempts(run: RunRecord) -> dict[str, int]:
    return {f"{o.design}/{o.table}": len(o.attempts) for o in run.chips[0].outcomes}


@pytest.mark.nightly
def test_deciding_tables_run_again_at_most_ten_times_and_their_evidence_adds_up(
    tmp_path: Path,
) -> None:
    code, once = ran(tmp_path)
    assert code in {1, 3}
    assert max(attempts(once).values()) == ONCE
    code, settled = ran(tmp_path, "--until-settled")
    counts = attempts(settled)
    assert counts["bcd7seg/function"] == 1, "what passes decides nothing"
    assert ONCE < max(counts.values()) <= MOST
    assert Verdict.FAIL not in {o.verdict for o in settled.chips[0].outcomes}
    assert all(outcome.rules for outcome in settled.chips[0].outcomes)
    assert code in {1, 3}
