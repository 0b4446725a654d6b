"""A fault of this program in one slot, by each command: the others go on, and codes do not lie."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

import harness
from harness.cli import main
from harness.jobs.settle import Evaluator
from harness.rack import station
from harness.records import MarginRecord, Outcome, RunRecord, Verdict
from harness.store import Store
from tests.system.test_bad_input import Bench, make_bench
from tests.unit.judge.samples import FunctionSession

SAID = "harness itself failed (IndexError: list index out of range); please report it"


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Bench:
    """Two slots: the port of one breaks, the chip of the other fails everything."""
    bench = make_bench(tmp_path)
    slots = "".join(
        f'[[slot]]\nname = "A{k}"\nport = "/dev/{port}"\nchip = "SP2-000{k}"\npatience_s = 0\n'
        for k, port in ((1, "breaks"), (2, "answers"))
    )
    head = 'shuttle = "vectors/shuttle.toml"\nprofile = "wader.toml"\n'
    bench.rack.write_text(head + slots, "utf-8")

    def open_session(port: str, *_: Any, **__: Any) -> FunctionSession:
        if "breaks" in port:
            raise IndexError("list index out of range")
        return FunctionSession([lambda _, drive: drive])

    monkeypatch.setattr(station, "open_session", open_session)
    monkeypatch.setattr(Evaluator, "keep", settled_as_found)
    monkeypatch.setattr(Evaluator, "suspicion", lambda *_: "")
    return bench


def settled_as_found(_: Evaluator, run_id: str, store: Store) -> RunRecord:
    """Make every verdict final as it is: whose fault it is, is not asked here."""
    outcomes = [outcome for chip in store.run(run_id).chips for outcome in chip.outcomes]
    store.record_outcomes(run_id, [replace(outcome, rules="1") for outcome in outcomes])
    return store.run(run_id)


def verdicts(bench: Bench) -> dict[str, set[Verdict]]:
    with Store.existing(bench.store) as store:
        chips = store.latest_run().chips
    return {chip.slot: {outcome.verdict for outcome in chip.outcomes} for chip in chips}


def check_log(path: Path, where: str) -> None:
    text = path.read_text("utf-8")
    assert f"{where}: please report this fault of harness itself" in text
    assert "Traceback (most recent call last)" in text


def test_a_run_goes_on_with_the_other_slot_and_keeps_the_traceback(
    bench: Bench, capsys: pytest.CaptureFixture[str]
) -> None:
    assert bench.run() == 1  # the chip in A2 fails, and that counts before anything else
    assert verdicts(bench) == {"A1": {Verdict.NOT_RUN}, "A2": {Verdict.FAIL}}
    screen = capsys.readouterr()
    assert SAID in screen.out
    log = bench.folder / "out/harness.log"
    assert screen.err.endswith(f"harness: please report this fault of harness itself, with {log}\n")
    check_log(log, "slot A1")


def test_a_run_in_which_nothing_else_fails_could_not_test_something(bench: Bench) -> None:
    rack = bench.rack.read_text("utf-8")
    bench.rack.write_text(rack.replace("/dev/answers", "/dev/breaks-too"), "utf-8")
    assert bench.run() == 3


@pytest.mark.parametrize(("other", "code"), [("answers", 1), ("breaks-too", 3)])
def test_a_slot_of_which_nothing_can_be_kept_hides_no_failing_chip(
    bench: Bench, monkeypatch: pytest.MonkeyPatch, other: str, code: int
) -> None:
    """The fault comes twice: with the board, and with the outcomes that tell of it."""
    rack = bench.rack.read_text("utf-8")
    bench.rack.write_text(rack.replace("/dev/answers", f"/dev/{other}"), "utf-8")
    keep = Store.record_outcome

    def record_outcome(store: Store, run_id: str, outcome: Outcome) -> None:
        if outcome.slot == "A1":
            raise IndexError("list index out of range")
        keep(store, run_id, outcome)

    monkeypatch.setattr(Store, "record_outcome", record_outcome)
    assert bench.run() == code
    with Store.existing(bench.store) as store:
        run = store.latest_run()
    assert run.finished is not None
    assert {outcome.verdict for outcome in run.chips[0].outcomes} == {Verdict.NOT_RUN}
    check_log(bench.folder / "out/harness.log", "slot A1")


def test_a_night_is_closed_and_has_the_traceback_in_its_log(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    kept = ["--store", str(bench.store), "--out", str(bench.folder / "out")]
    with bench.rack.open("a", encoding="utf-8") as file:
        file.write('[nightly]\nmargin = ["bcd7seg"]\n')

    def breaks(*_: Any) -> Any:
        raise IndexError("list index out of range")

    monkeypatch.setattr("harness.jobs.night_margins.search_margins", breaks)
    assert main(["nightly", str(bench.rack), *kept]) == 1
    (night,) = (bench.folder / "out").glob("night-*")
    check_log(night / "night.log", "slot A1")
    check_log(night / "night.log", "night margins")
    assert f"(not searched: {SAID}" in (night / "night.txt").read_text("utf-8")


def test_a_search_of_margins_goes_on_with_the_other_slot(bench: Bench) -> None:
    kept = ["--store", str(bench.store), "--out", str(bench.folder / "out")]
    assert main(["margin", str(bench.rack), *kept]) == 1
    with Store.existing(bench.store) as store:
        first, second = sorted(store.margins(), key=lambda record: record.slot)
    assert first.trouble.startswith(SAID)
    assert (second.trouble, second.highest_hz) == ("", None)
    check_log(bench.folder / "out/harness.log", "slot A1")


def test_a_search_that_cannot_be_kept_hides_no_limit_below_the_declared_clock(
    bench: Bench, monkeypatch: pytest.MonkeyPatch
) -> None:
    keep = Store.record_margin

    def record_margin(store: Store, record: MarginRecord) -> None:
        if record.slot == "A1":
            raise IndexError("list index out of range")
        keep(store, record)

    monkeypatch.setattr(Store, "record_margin", record_margin)
    kept = ["--store", str(bench.store), "--out", str(bench.folder / "out")]
    assert main(["margin", str(bench.rack), *kept]) == 1
    assert main(["margin", str(bench.rack), "--slots", "A1", *kept]) == 3


def test_whatever_a_command_raises_is_no_failing_chip(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def breaks(*_: object, **__: object) -> int:
        raise IndexError("list index out of range")

    monkeypatch.setattr(harness, "serial_ports", breaks)
    assert main(["ports"]) == 3
    screen = capsys.readouterr()
    assert screen.err.startswith("harness: please report this fault of harness itself\nTraceback")
