"""Ctrl-C while the causes of a run are worked out: it ends soon, and resuming works them out."""

from __future__ import annotations

import os
import signal
from pathlib import Path
from typing import Any

import pytest

from harness.cli import main
from harness.records import RunRecord, Verdict
from harness.rehearse import Predictions, predict
from harness.store import Store
from tests.system.test_nightly import STUCK, small_rack


def stored(place: Path) -> RunRecord:
    with Store.existing(place) as store:
        return store.latest_run()


def test_control_c_while_causes_are_worked_out_leaves_them_to_whoever_resumes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    rack, place = small_rack(tmp_path, STUCK), tmp_path / "s.sqlite"
    where = ["--store", str(place), "--out", str(tmp_path / "out")]

    def pressed(*known: Any, **others: Any) -> Predictions:
        os.kill(os.getpid(), signal.SIGINT)
        found = predict(*known, **others | {"cache": None})
        pytest.fail("the predictions went on to their end")
        return found

    with monkeypatch.context() as patch:
        patch.setattr("harness.jobs.settle.predict", pressed)
        assert main(["run", str(rack), *where]) == 3
    assert "The run was stopped; results so far are kept." in capsys.readouterr().out
    stopped = stored(place)
    outcomes = stopped.chips[0].outcomes
    assert (stopped.cancelled, stopped.causes) == (True, ())
    assert {outcome.verdict for outcome in outcomes} == {Verdict.PASS, Verdict.FAIL}
    assert {outcome.rules for outcome in outcomes} == {""}

    assert main(["triage", "--rack", str(rack), "--store", str(place)]) == 3
    said = capsys.readouterr().out
    assert "By today's rules, which change nothing that is stored:" in said

    monkeypatch.setattr("harness.rack.reaching.VirtualRack", None)  # no board is needed any more
    assert main(["run", str(rack), "--resume", "latest", *where]) == 1
    resumed = stored(place)
    assert (resumed.run_id, resumed.cancelled) == (stopped.run_id, False)
    assert [cause.slots for cause in resumed.causes] == [("A1",)]
    assert [cause.summary for cause in resumed.causes if cause.summary in said]
    for before, now in zip(outcomes, resumed.chips[0].outcomes, strict=True):
        assert (now.attempts, now.rules) == (before.attempts, "1")
