"""Margins on virtual boards: a slow chip passes at its slow rate, fails above it, and is found."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

import harness
from harness.cli import ExitCode, main
from harness.jobs.run import run
from harness.records import MarginKind, Verdict
from harness.store import Store
from tests.system.virtual import few_designs

ROOT = Path(__file__).parents[2]
LIMIT_HZ = 71_234.5
SLOW = f"""[[slot.defect]]
kind = "slow-path"
design = "gray"
net = "code[3]"
limit_hz = {LIMIT_HZ}
"""
SUPPLY = '[supply]\nport = "virtual"\nvolts = 3.3\n'


DESIGNS = ("gray", "crc16", "secded", "prio148", "ctr163", "lfsr", "uart")
"""With those of the pin check, without which a chip that fails cannot be told from a contact."""


def rack_file(folder: Path, defect: str = SLOW, more: str = "") -> Path:
    path = folder / "rack.toml"
    path.write_text(
        f'name = "Small"\nshuttle = "{few_designs(folder, *DESIGNS)}"\n'
        f'profile = "{ROOT}/ci/wader.toml"\n{more}\n'
        '[[slot]]\nname = "A1"\nport = "virtual"\nboard = "WB-01"\nchip = "SP2-0001"\n'
        f"{defect}"
    )
    return path


def search(path: Path, *options: str) -> int:
    place = ["--store", str(path.parent / "s.sqlite"), "--out", str(path.parent / "out")]
    return main(["margin", str(path), "--designs", "gray", *place, *options])


@pytest.mark.parametrize(
    ("clock_hz", "verdict"), [(50_000.0, Verdict.PASS), (80_000.0, Verdict.FAIL)]
)
def test_a_slow_chip_passes_at_its_slow_rate_and_fails_above_it(
    tmp_path: Path, clock_hz: float, verdict: Verdict
) -> None:
    rack = harness.load_rack(rack_file(tmp_path))
    gray = next(design for design in rack.shuttle.designs if design.name == "gray")
    tables = tuple(replace(spec, clock_hz=clock_hz) for spec in gray.tables)
    shuttle = replace(rack.shuttle, designs=(replace(gray, tables=tables),))
    with Store(tmp_path / "s.sqlite") as store:
        (chip,) = run(replace(rack, shuttle=shuttle), store).chips
    assert {outcome.verdict for outcome in chip.outcomes} == {verdict}


def test_the_limit_is_found_told_and_kept(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert search(rack_file(tmp_path)) == ExitCode.ALL_PASS
    told = capsys.readouterr().out
    assert (
        "A1  SP2-0001  gray  passes up to 71.2301 kHz, fails at 71.2352 kHz (paced); +42.5 % vs "
        "50 kHz (promised: 10 MHz, beyond this board)\n"
    ) in told
    with Store.existing(tmp_path / "s.sqlite") as store:
        (record,) = store.margins(chip="SP2-0001", design="gray")
    assert record.highest_hz is not None
    assert record.failing_hz is not None
    assert record.highest_hz <= LIMIT_HZ < record.failing_hz
    assert (record.board_serial, record.exact, record.trouble) == ("WB-01", False, "")
    page = tmp_path / "out" / "margins" / f"margin-{record.margin_id}.html"
    assert f"Report: {page}\n" in told
    assert "Passes up to 71.2301 kHz, 42.5 % above the declared clock of 50 kHz" in page.read_text()
    (limit,) = harness.margins(tmp_path / "s.sqlite", chip="SP2-0001").to_dict("records")
    assert limit["highest_hz"] == record.highest_hz


def test_a_limit_below_the_declared_clock_is_a_failure(tmp_path: Path) -> None:
    slow = SLOW.replace(str(LIMIT_HZ), "40000")
    assert search(rack_file(tmp_path, slow)) == ExitCode.CHIP_FAILED


def test_the_limit_follows_the_voltage_of_a_bench_supply_between_the_profiles_limits(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = rack_file(tmp_path, more=SUPPLY)
    assert search(path, "--shmoo", "supply", "--supply-ready") == ExitCode.ALL_PASS
    assert "over-voltage" in capsys.readouterr().out
    with Store.existing(tmp_path / "s.sqlite") as store:
        (record,) = store.margins()
    assert record.kind is MarginKind.SUPPLY
    profile = harness.load_rack(path).profile
    volts = sorted(edge.volts for edge in record.edges if edge.volts is not None)
    assert (volts[0], volts[-1]) == (profile.supply_min_v, profile.supply_max_v)
    limits = [
        edge.highest_hz or 0.0 for edge in sorted(record.edges, key=lambda edge: edge.volts or 0.0)
    ]
    assert limits == sorted(limits), "more voltage, more speed"
    assert limits[0] < 0.9 * LIMIT_HZ < limits[-1]


def test_no_voltage_is_changed_without_a_yes(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = rack_file(tmp_path, more=SUPPLY)
    assert search(path, "--shmoo", "supply") == ExitCode.BAD_INPUT
    assert "--supply-ready" in capsys.readouterr().err
    assert not (tmp_path / "s.sqlite").exists()


@pytest.mark.parametrize(
    ("options", "complaint"),
    [
        (["--shmoo", "supply"], "the rack file names no bench supply"),
        (["--shmoo", "heat"], '--shmoo is "heat"; give sample or supply'),
        (["--slots", "B*"], 'no slot of Small matches "B*"'),
        (["--table", "nope"], 'none of these designs has a table "nope"'),
    ],
)
def test_what_cannot_be_searched_is_refused_before_a_board_is_reached(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], options: list[str], complaint: str
) -> None:
    assert search(rack_file(tmp_path), *options) == ExitCode.BAD_INPUT
    assert complaint in capsys.readouterr().err


def test_a_night_tells_of_a_margin_that_is_lost_and_of_nothing_before(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    place = ["--store", str(tmp_path / "s.sqlite"), "--out", str(tmp_path / "out")]
    night = '[nightly]\nmargin = ["gray"]\n'
    assert main(["nightly", str(rack_file(tmp_path, more=night)), *place]) == ExitCode.ALL_PASS
    assert "less margin              0  (1 searched)\n" in capsys.readouterr().out
    weaker = SLOW.replace(str(LIMIT_HZ), "60000.5")
    path = rack_file(tmp_path, weaker, night)
    assert main(["nightly", str(path), *place]) == ExitCode.CHIP_FAILED
    told = capsys.readouterr().out
    assert (
        "less margin              1  SP2-0001 gray up to 59.9988 kHz, was 71.2301 kHz "
        "(noise 5.1 Hz) (1 searched)\n"
    ) in told
    (folder,) = [f for f in (tmp_path / "out").glob("night-*") if "was 71.23" in _text(f)]
    assert '"margin_drops": [\n' in (folder / "night.json").read_text()
    chip = folder / "chips" / "SP2-0001" / "SP2-0001.html"
    for page in (folder / "index.html", chip):
        assert "+20.0 %, DROPPED" in page.read_text()
    assert '"margins": [\n' in (folder / "run.json").read_text()
    history = ["--chip", "SP2-0001", "--store", place[1], "--out", str(tmp_path / "history")]
    assert main(["history", *history]) == ExitCode.ALL_PASS
    (written,) = (tmp_path / "history").iterdir()
    assert "2 searches: from +20.0 % to +42.5 %" in written.read_text()


def _text(folder: Path) -> str:
    return (folder / "night.txt").read_text()


def test_a_design_that_the_shuttle_lacks_is_found_when_the_rack_file_is_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = rack_file(tmp_path, more='[nightly]\nmargin = ["grey"]\n')
    assert main(["check", str(path)]) == ExitCode.BAD_INPUT
    assert 'Sandpiper 2 has no design "grey"' in capsys.readouterr().out


OPEN = '[[slot.board_fault]]\nkind = "open-pin"\npin = "out3"\n'


def test_an_open_contact_is_no_limit_of_the_chip(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert search(rack_file(tmp_path, OPEN)) == ExitCode.NOT_TESTED
    told = capsys.readouterr().out
    assert (
        "gray  search incomplete: not searched, because the continuity test suspects the board: "
        "A1 (SP2-0001): out3 does not reach the controller"
    ) in told


def begun(path: Path, *command: str) -> subprocess.Popen[str]:
    """The tool in a process of its own, whose Ctrl-C can be pressed."""
    place = "--store", str(path.parent / "s.sqlite"), "--out", str(path.parent / "out")
    return subprocess.Popen(
        [sys.executable, "-u", "-m", "harness", *command, *place],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )


def test_control_c_keeps_what_was_searched_and_tells_what_was_not(tmp_path: Path) -> None:
    path = rack_file(tmp_path)
    with begun(path, "margin", str(path)) as process:
        assert process.stdout is not None
        first = process.stdout.readline()
        os.killpg(process.pid, signal.SIGINT)
        rest = process.stdout.read()
        assert process.wait(60) == ExitCode.NOT_TESTED
    assert "passes up to" in first
    assert "search incomplete: the search was stopped" in rest
    assert "Traceback" not in rest
    with Store.existing(tmp_path / "s.sqlite") as store:
        records = store.margins()
    assert len(records) == len(DESIGNS), "one of every design"
    assert {record.trouble for record in records} == {"", "the search was stopped"}


def wait_for_a_limit(log: Path, seconds: float = 60.0) -> None:
    """Wait until a night's log tells of the first limit that was found."""
    deadline = time.monotonic() + seconds
    while not any("passes up to" in file.read_text() for file in log.glob("*/night.log")):
        assert time.monotonic() < deadline, f"no limit in a night's log after {seconds:g} s"
        time.sleep(0.05)


def test_control_c_among_the_margins_of_a_night_closes_the_night(tmp_path: Path) -> None:
    path = rack_file(tmp_path, more='[nightly]\nmargin = ["gray", "lfsr", "crc16", "uart"]\n')
    log = tmp_path / "out"
    with begun(path, "nightly", str(path)) as process:
        assert process.stdout is not None
        wait_for_a_limit(log)
        os.killpg(process.pid, signal.SIGINT)
        told = process.stdout.read()
        assert process.wait(60) == ExitCode.NOT_TESTED
    assert re.search(r"less margin +0  \(4 searched, [1-4] incomplete\)", told)
    assert "unchanged               14  14 PASS" in told
    (folder,) = log.glob("night-*")
    assert (folder / "index.html").exists()


def test_a_night_that_was_killed_among_its_margins_is_closed_by_resuming_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = rack_file(tmp_path, more='[nightly]\nmargin = ["gray", "lfsr"]\n')
    place = ["--store", str(tmp_path / "s.sqlite"), "--out", str(tmp_path / "out")]
    with begun(path, "nightly", str(path)) as process:
        wait_for_a_limit(tmp_path / "out")
        os.killpg(process.pid, signal.SIGKILL)
        process.wait(60)
    assert main(["nightly", str(path), "--resume", "latest", *place]) == ExitCode.ALL_PASS
    assert "less margin              0  (2 searched)\n" in capsys.readouterr().out
    with Store.existing(tmp_path / "s.sqlite") as store:
        designs = [record.design for record in store.margins()]
    assert sorted(designs) == ["gray", "lfsr"], "nothing is searched twice"
