"""Reports of a run stay in the folder of reports, whatever a stranger's store calls the run."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.cli import main
from harness.store import Store
from tests.unit.reports.samples import passed
from tests.unit.store.samples import NOON, chip, heading


@pytest.mark.parametrize(
    "name", ["../../out", "{folder}/out", "..", "a/../../../out", "20260601/../../out"]
)
def test_no_page_is_written_out_of_the_folder_of_reports(
    name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    run_id = name.format(folder=tmp_path)
    inside = tmp_path / "in"
    inside.mkdir()
    monkeypatch.chdir(inside)
    with Store(tmp_path / "theirs.sqlite") as store:
        for one in ("r1", run_id):
            store.start_run(heading(one))
            store.record_chip(one, chip())
            store.record_outcome(one, passed())
            store.finish_run(one, NOON, cancelled=False)
    for command in (["report", run_id], ["compare", "r1", run_id]):
        assert main([*command, "--store", str(tmp_path / "theirs.sqlite")]) == 0
    assert {path.name for path in inside.iterdir()} == {"runs"}
    assert {path.name for path in tmp_path.iterdir()} <= {
        "in",
        "theirs.sqlite",
        "theirs.sqlite-wal",
        "theirs.sqlite-shm",
    }
    assert len(list((inside / "runs").glob("*/since-r1.html"))) == 1
