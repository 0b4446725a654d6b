"""Going on with a run: only with the tables that it began with, and nothing is measured twice."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from harness.errors import ConfigError, StoreError
from harness.jobs.run import new_run, run, run_from
from harness.jobs.tables import load_jobs
from harness.rack import Event, Locks, TableJudged, load_rack
from harness.records import Outcome, Reason, RunRecord, Verdict
from harness.store import Store
from tests.system.test_nightly import small_rack

LOST = "Could not be tested: the board was lost."


def stopped_run(path: Path, store: Store) -> RunRecord:
    """Run everything, and have the run look as if Ctrl-C had ended it."""
    record = run(load_rack(path), store)
    assert record.finished is not None
    store.finish_run(record.run_id, record.finished, cancelled=True)
    return store.run(record.run_id)


def test_a_run_is_not_resumed_with_a_table_that_was_edited_since(tmp_path: Path) -> None:
    path = small_rack(tmp_path)
    table = tmp_path / "vectors/crc16/check.csv"
    with Store(tmp_path / "s.sqlite") as store:
        before = stopped_run(path, store)
        old = table.read_text()
        table.write_text(old.replace("the initial value", "the value after reset"))
        with pytest.raises(ConfigError) as refused:
            run(load_rack(path), store, resume=before.run_id)
        assert store.run(before.run_id) == before, "what was kept stays as it was"
        (finding,) = refused.value.findings
        assert (finding.rule, finding.location.path) == ("changed-since", table)
        assert finding.message == f"the table has changed since run {before.run_id} began"
        table.write_text(old)
        assert not run(load_rack(path), store, resume=before.run_id).cancelled


def test_what_was_kept_as_an_error_is_not_measured_again(tmp_path: Path) -> None:
    path = small_rack(tmp_path)
    judged: list[Outcome] = []

    def watch(event: Event) -> None:
        if isinstance(event, TableJudged):
            judged.append(event.outcome)

    with Store(tmp_path / "s.sqlite") as store:
        before = stopped_run(path, store)
        (chip,) = before.chips
        lost, waiting = chip.outcomes[0], chip.outcomes[1]
        lost = replace(lost, verdict=Verdict.ERROR, reason=Reason.LINK_LOST, summary=LOST)
        waiting = replace(waiting, verdict=Verdict.NOT_RUN, reason=Reason.RUN_STOPPED)
        store.record_outcomes(before.run_id, (lost, waiting))
        read_too_early, rack = store.run(before.run_id), load_rack(path)
        whole = run(rack, store, observe=watch, resume=before.run_id)
        again = run_from(read_too_early, rack, store, load_jobs(rack), observe=watch)
    assert again.chips == whole.chips, "another process has finished it in the meantime"
    assert [(o.design, o.table) for o in judged] == [(waiting.design, waiting.table)]
    assert whole.chips[0].outcomes[0] == lost
    assert whole.chips[0].outcomes[1].verdict is Verdict.PASS
    assert whole.chips[0].outcomes[2] == chip.outcomes[2]


def test_a_run_that_another_process_has_is_refused_before_any_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    rack = load_rack(small_rack(tmp_path))
    heading = new_run(rack)
    for work in ("reach", "continuity_test"):
        monkeypatch.delattr(f"harness.jobs.run.{work}")
    with Store(tmp_path / "s.sqlite") as store, Locks("somebody else") as locks:
        locks.take(f"run {heading.run_id}")
        with pytest.raises(StoreError, match="in use by somebody else"):
            run_from(heading, rack, store, load_jobs(rack))
