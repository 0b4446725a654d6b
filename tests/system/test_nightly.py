"""Nights on the virtual rack: five lines, exit codes, the folder, locks, kills."""

from __future__ import annotations

import io
import json
import shutil
from contextlib import redirect_stdout
from datetime import UTC, datetime
from pathlib import Path

import pytest
from junitparser import JUnitXml

from harness.cli import ExitCode, main
from harness.errors import ConfigError, StoreError
from harness.jobs.run import run
from harness.rack import Locks, load_rack
from harness.records import Reason, Verdict
from harness.store import Store
from harness.virtual import VirtualRack
from tests.racks import forked
from tests.system.virtual import spec

ROOT = Path(__file__).parents[2]

SHUTTLE = """
name = "Sandpiper 2"
organisation = "Low Tide Silicon Club"
chip_serial = "SP2-[0-9]{4}"
designs = ["bcd7seg", "crc16"]
"""
STUCK = """
[[slot.defect]]
kind = "net-stuck"
design = "crc16"
net = "rem[9]"
level = 0
"""


def small_rack(folder: Path, defect: str = "") -> Path:
    """A rack of one slot on a shuttle of two designs, with copies of the demo's files."""
    vectors = folder / "vectors"
    if not vectors.exists():
        vectors.mkdir()
        demo = (ROOT / "vectors/shuttle.toml").read_text()
        (vectors / "shuttle.toml").write_text(SHUTTLE + demo[demo.index("[pins]") :].split("[[")[0])
        for design in ("bcd7seg", "crc16"):
            shutil.copytree(ROOT / "vectors" / design, vectors / design)
    path = folder / "rack.toml"
    path.write_text(
        f'name = "Small"\nshuttle = "vectors/shuttle.toml"\nprofile = "{ROOT}/ci/wader.toml"\n'
        '[[slot]]\nname = "A1"\nport = "virtual"\nboard = "WB-01"\nchip = "SP2-0001"\n' + defect
    )
    return path


def night(folder: Path, rack: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, list[str]]:
    """Run a night; its exit code and what it printed."""
    place = ["--store", str(folder / "s.sqlite"), "--out", str(folder / "out")]
    code = main(["nightly", str(rack), *place])
    captured = capsys.readouterr()
    assert "harness:" not in captured.err  # progress only
    return code, captured.out.splitlines()


@pytest.fixture(scope="module")
def red(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a first night, on which crc16 failed."""
    folder = tmp_path_factory.mktemp("red")
    place = ["--store", str(folder / "s.sqlite"), "--out", str(folder / "out")]
    with redirect_stdout(io.StringIO()) as printed:
        code = main(["nightly", str(small_rack(folder, STUCK)), *place])
    assert code == ExitCode.CHIP_FAILED
    (folder / "printed.txt").write_text(printed.getvalue(), "utf-8")
    return folder


@pytest.fixture
def after_red(red: Path, tmp_path: Path) -> Path:
    """A copy of that folder, in which a test may go on."""
    shutil.copytree(red, tmp_path, symlinks=True, dirs_exist_ok=True)
    return tmp_path


def counts(lines: list[str]) -> list[int]:
    """The numbers of the five lines."""
    return [int(line[19:26]) for line in lines[1:6]]


def latest_junit(folder: Path) -> JUnitXml:
    return JUnitXml.fromfile(str(max((folder / "out").iterdir()) / "junit.xml"))


def accept(folder: Path) -> str:
    with Store.existing(folder / "s.sqlite") as store:
        run_id = store.latest_run().run_id
    why = ["--reason", "known to be bad"]
    assert main(["accept", run_id, *why, "--store", str(folder / "s.sqlite")]) == 0
    return run_id


def test_a_failure_is_red_until_it_is_accepted_and_fixed_when_it_is_gone(
    after_red: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tmp_path = after_red
    lines = (tmp_path / "printed.txt").read_text("utf-8").splitlines()
    assert counts(lines) == [2, 0, 0, 0, 1]
    assert lines[1].startswith(
        "newly failing            2  A1 (SP2-0001): this chip has a defect in crc16 ("
    )
    accepted = accept(tmp_path)
    assert f"Run {accepted} is now the baseline of Small" in capsys.readouterr().out
    code, lines = night(tmp_path, small_rack(tmp_path, STUCK), capsys)
    assert (code, counts(lines)) == (ExitCode.ALL_PASS, [0, 0, 0, 0, 3])
    today = datetime.now(UTC).strftime("%Y-%m-%d")
    assert lines[0].endswith(f"compared with run {accepted}, accepted {today}: known to be bad")
    told = json.loads((max((tmp_path / "out").iterdir()) / "night.json").read_text())
    assert (told["accepted"][:10], told["reason"]) == (today, "known to be bad")
    junit = latest_junit(tmp_path)
    assert (junit.tests, junit.failures, junit.skipped) == (3, 0, 2), "known ones wake nobody"
    code, lines = night(tmp_path, small_rack(tmp_path), capsys)
    assert (code, counts(lines)) == (ExitCode.ALL_PASS, [0, 2, 0, 0, 1])


def test_a_nights_folder_is_dated_and_has_everything(red: Path) -> None:
    lines = (red / "printed.txt").read_text("utf-8").splitlines()
    (folder,) = (red / "out").glob("night-*")
    with Store.existing(red / "s.sqlite") as store:
        record = store.latest_run()
    assert folder.name.startswith(f"night-{record.started:%Y-%m-%d}-")
    assert {"index.html", "junit.xml", "run.json", "night.json", "night.log", "night.txt"} <= {
        path.name for path in folder.iterdir()
    }
    junit = JUnitXml.fromfile(str(folder / "junit.xml"))
    assert (junit.tests, junit.failures) == (3, 2)
    told = json.loads((folder / "night.json").read_text())
    assert [change["table"] for change in told["newly_failing"]] == ["check", "stream"]
    assert (folder / "night.txt").read_text().splitlines() == lines[:6]
    log = (folder / "night.log").read_text()
    assert "A1  SP2-0001  crc16/check  FAIL" in log
    assert log.splitlines()[-1].endswith(lines[5])


def test_a_nights_pages_lead_to_histories_at_once_and_are_written_again_in_their_place(
    after_red: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tmp_path = after_red
    place = ["--store", str(tmp_path / "s.sqlite"), "--out", str(tmp_path / "out")]
    (folder,) = (tmp_path / "out").glob("night-*")
    before = {path: path.read_bytes() for path in folder.rglob("*.*")}
    page = (folder / "chips/SP2-0001/SP2-0001.html").read_text("utf-8")
    for name in ("chip-SP2-0001", "slot-Small-A1"):
        assert f'href="../../../history/{name}.html"' in page
        history = (tmp_path / f"out/history/{name}.html").read_text("utf-8")
        assert f'href="../{folder.name}/index.html"' in history
    assert main(["report", *place]) == ExitCode.CHIP_FAILED
    assert len(list((tmp_path / "out").glob("2*"))) == 0, "one run has one set of pages"
    assert {path: path.read_bytes() for path in before} == before
    (folder / "night.json").write_text("{}", "utf-8")
    assert main(["report", *place]) == ExitCode.NOT_TESTED
    assert f"{folder / 'night.json'}: the night's file cannot be read (" in capsys.readouterr().err


def test_a_finished_night_cannot_be_resumed_and_changed_files_are_named(tmp_path: Path) -> None:
    rack = load_rack(small_rack(tmp_path))
    with Store(tmp_path / "s.sqlite") as store:
        record = run(rack, store, ["bcd7seg"])
        with pytest.raises(StoreError, match="is finished, so there is nothing to resume"):
            run(rack, store, resume=record.run_id)
        assert record.finished is not None
        store.finish_run(record.run_id, record.finished, cancelled=True)
        other = load_rack(small_rack(tmp_path, STUCK))
        with pytest.raises(ConfigError, match="the rack has changed since run"):
            run(other, store, resume=record.run_id)
        rack = load_rack(small_rack(tmp_path))
        with Locks("somebody else") as locks:
            locks.take(f"run {record.run_id}")
            with pytest.raises(StoreError, match="in use by somebody else"):
                run(rack, store, resume=record.run_id)
        whole = run(rack, store, resume=record.run_id)
    before, after = record.chips[0], whole.chips[0]
    assert [o.design for o in after.outcomes] == ["bcd7seg", "crc16", "crc16"]
    assert after.outcomes[0] == before.outcomes[0]
    assert after.verdict is Verdict.PASS


def test_a_board_that_another_run_holds_is_not_touched_and_the_holder_is_named(
    tmp_path: Path,
) -> None:
    with VirtualRack([spec()], launch=forked) as boards, Locks("run 7 of another rack") as locks:
        locks.take(boards.ports["A1"])
        path = small_rack(tmp_path)
        path.write_text(path.read_text().replace('"virtual"', f'"{boards.ports["A1"]}"'))
        with Store(tmp_path / "s.sqlite") as store:
            (chip,) = run(load_rack(path), store).chips
    assert "is in use by run 7 of another rack, process " in chip.trouble
    assert {outcome.verdict for outcome in chip.outcomes} == {Verdict.NOT_RUN}


WAIVED = """
[[waiver]]
design = "crc16"
chips = ["SP2-0001"]
owner = "Wilma Dunlin"
reason = "stuck remainder"
ticket = "T-7"
expiry = {day}
"""


def with_waiver(folder: Path, day: str) -> Path:
    """The rack with a defect, and a waiver of its failures until a day."""
    path = small_rack(folder, STUCK)
    shuttle = folder / "vectors" / "shuttle.toml"
    shuttle.write_text(shuttle.read_text().split("[[waiver]]")[0] + WAIVED.format(day=day))
    return path


def test_an_expired_waiver_turns_a_night_red_though_the_baseline_has_the_failure(
    after_red: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tmp_path = after_red
    accept(tmp_path)
    capsys.readouterr()
    code, lines = night(tmp_path, with_waiver(tmp_path, "2999-01-01"), capsys)
    assert (code, counts(lines)) == (ExitCode.ALL_PASS, [0, 0, 0, 0, 3])
    assert lines[5].endswith("1 PASS, 2 WAIVED (2 newly waived)")
    code, lines = night(tmp_path, with_waiver(tmp_path, "2026-01-31"), capsys)
    assert (code, counts(lines)) == (ExitCode.CHIP_FAILED, [2, 0, 0, 0, 1])
    assert lines[1].startswith(
        "newly failing            2  A1 (SP2-0001): this chip has a defect in crc16 ("
    )
    assert lines[1].endswith(" (2 waiver expired)")
    assert latest_junit(tmp_path).failures == 2


def test_a_night_is_never_compared_with_itself(
    after_red: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """It may be accepted after it was measured and before anybody saw what it found."""
    tmp_path, rack = after_red, after_red / "rack.toml"
    run = accept(tmp_path)
    (folder,) = (tmp_path / "out").glob("night-*")
    (folder / "night.json").unlink()
    capsys.readouterr()
    place = ["--store", str(tmp_path / "s.sqlite"), "--out", str(tmp_path / "out")]
    assert main(["nightly", str(rack), *place, "--resume", run]) == ExitCode.CHIP_FAILED
    assert "no baseline yet" in capsys.readouterr().out


def test_a_night_that_cannot_be_written_tells_what_it_found_and_how_it_is_written(
    after_red: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    tmp_path, rack = after_red, after_red / "rack.toml"
    (folder,) = (tmp_path / "out").glob("night-*")
    run = folder.name.removeprefix("night-").replace("-", "", 2)
    (folder / "night.json").unlink()
    (folder / "index.html").unlink()
    (folder / "index.html").mkdir()
    place = ["--store", str(tmp_path / "s.sqlite"), "--out", str(tmp_path / "out")]
    assert main(["nightly", str(rack), *place, "--resume", run]) == ExitCode.NOT_TESTED
    told = capsys.readouterr().err
    assert f"`harness nightly --resume {run}` with the rack file writes them" in told
    assert "newly failing            2  A1 (SP2-0001): this chip has a defect in crc16 (" in told
    assert "newly failing            2" in (folder / "night.log").read_text()
    assert not (folder / "night.txt").exists(), "what it said before is not what it found now"


def test_a_run_that_tested_nothing_or_less_is_no_good_baseline(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rack, store = load_rack(small_rack(tmp_path)), str(tmp_path / "s.sqlite")
    night(tmp_path, small_rack(tmp_path), capsys)
    accept(tmp_path)
    with Store(store) as kept:
        part = run(rack, kept, ["bcd7seg"])
        with VirtualRack([spec()], launch=forked) as boards, Locks("somebody else") as locks:
            locks.take(boards.ports["A1"])
            path = small_rack(tmp_path)
            path.write_text(path.read_text().replace('"virtual"', f'"{boards.ports["A1"]}"'))
            nothing = run(load_rack(path), kept)
    capsys.readouterr()
    assert main(["accept", nothing.run_id, "--store", store]) == ExitCode.BAD_INPUT
    assert f"run {nothing.run_id} has no verdicts" in capsys.readouterr().err
    assert main(["accept", part.run_id, "--store", store]) == ExitCode.ALL_PASS
    assert "Warning: 2 tables of the previous baseline are not in it" in capsys.readouterr().out


def test_a_folder_that_cannot_be_made_is_told_with_what_to_do(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "file").write_text("in the way")
    place = ["--store", str(tmp_path / "s.sqlite"), "--out", str(tmp_path / "file")]
    assert main(["nightly", str(small_rack(tmp_path)), *place]) == ExitCode.NOT_TESTED
    told = capsys.readouterr().err
    assert "night.log: the log cannot be written: a file is where a folder should be" in told


OPEN_INPUT = '[[slot.board_fault]]\nkind = "open-pin"\npin = "in0"\n'


def test_a_waiver_covers_a_chip_and_not_the_board_that_a_good_one_sits_on(tmp_path: Path) -> None:
    path, shuttle = with_waiver(tmp_path, "2999-01-01"), tmp_path / "vectors" / "shuttle.toml"
    shuttle.write_text(shuttle.read_text().replace('["SP2-0001"]', '["SP2-0001", "SP2-0002"]'))
    with path.open("a") as file:
        file.write('[[slot]]\nname = "A2"\nport = "virtual"\nboard = "WB-02"\nchip = "SP2-0002"\n')
        file.write(OPEN_INPUT)
    place = ["--store", str(tmp_path / "s.sqlite"), "--out", str(tmp_path / "out")]
    assert main(["run", str(path), *place]) == ExitCode.NOT_TESTED
    with Store.existing(tmp_path / "s.sqlite") as store:
        chips = store.latest_run().chips
    found = [
        {(o.verdict, o.reason) for o in chip.outcomes if o.design == "crc16"} for chip in chips
    ]
    assert found == [{(Verdict.WAIVED, Reason.WAIVED)}, {(Verdict.ERROR, Reason.NOT_SETTLED)}]
    assert all(o.waiver for chip in chips for o in chip.outcomes if o.design == "crc16")
