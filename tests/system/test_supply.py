"""A virtual rack with a bench supply: what is set there is what the chips get."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from harness.board import RunConditions
from harness.cli import ExitCode, main
from harness.rack import Locks
from harness.store import Store
from harness.supply import Limits, SupplySpec, open_supply
from harness.table import load_table
from harness.virtual import VirtualRack
from harness.virtual.faults import SlowPath
from harness.virtual.speed import relative_speed
from harness.virtual.supply import VirtualSupply
from tests.racks import forked
from tests.system.virtual import PROFILE, SHUTTLE, session, shuttle, spec

RACK = f"""\
shuttle = "{SHUTTLE}"
profile = "{PROFILE}"
[supply]
port = "PORT"
volts = 3.3
[[slot]]
name = "A1"
port = "virtual"
board = "WB-01"
chip = "SP2-0001"
"""
LIMIT_HZ = 10_000.0
NOMINAL = 3.3


def test_a_slow_path_passes_or_fails_as_the_supply_voltage_has_it() -> None:
    design = shuttle().designs_by_name["crc16"]
    table = next(table for table in design.tables if table.name == "check")
    pattern = load_table(table, design, shuttle())
    slow = spec(defects=(SlowPath("crc16", "rem[9]", LIMIT_HZ),))
    supply = SupplySpec("virtual", NOMINAL, Limits(2.7, 3.6, 0.15, PROFILE))
    rate = LIMIT_HZ * relative_speed(3.0, NOMINAL)

    with VirtualRack([slow], NOMINAL, launch=forked) as rack, session(rack.ports["A1"]) as board:
        board.select(design)

        def mismatches() -> int:
            return board.run(pattern, RunConditions(clock_hz=rate)).mismatch_count

        with open_supply(supply, rack.supply) as bench:
            found = []
            for volts in (3.3, 3.02, 2.98, 2.7, 3.6):
                bench.set_volts(volts)
                found.append(mismatches() == 0)
            bench.set_volts(2.7)
        assert found == [True, True, False, False, True]
        assert mismatches() == 0, "the nominal voltage is back"


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM"])
def test_a_sweep_that_is_stopped_leaves_the_nominal_voltage(tmp_path: Path, name: str) -> None:
    heard: list[float] = []
    device = VirtualSupply(NOMINAL, heard.append)
    device.start()
    rack = tmp_path / "rack.toml"
    rack.write_text(RACK.replace("PORT", device.port))
    sweep = ["margin", str(rack), "--designs", "gray", "--shmoo", "supply", "--supply-ready"]
    place = ["--store", str(tmp_path / "s.sqlite"), "--out", str(tmp_path / "out")]
    with subprocess.Popen(
        [sys.executable, "-m", "harness", *sweep, *place],
        stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    ) as process:  # fmt: skip
        end = time.monotonic() + 60
        while not heard and time.monotonic() < end and process.poll() is None:
            time.sleep(0.01)
        process.send_signal(getattr(signal, name))
        assert process.wait(60) not in {0, -getattr(signal, name)}
    time.sleep(0.1)
    assert heard[0] != pytest.approx(NOMINAL)
    assert heard[-1] == pytest.approx(NOMINAL)


@pytest.fixture
def fed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> tuple[Path, str, list[float]]:
    """A rack file with a supply on a port, that port, and the voltages it gave."""
    heard: list[float] = []
    device = VirtualSupply(NOMINAL, heard.append)
    device.start()
    monkeypatch.chdir(tmp_path)
    rack = tmp_path / "rack.toml"
    rack.write_text(RACK.replace("PORT", device.port))
    return rack, device.port, heard


@pytest.mark.parametrize(
    "command",
    [["run"], ["nightly"], ["intake", "--by", "Ada"], ["margin"]],
    ids=lambda command: command[0],
)
def test_nothing_is_measured_while_somebody_else_changes_the_voltage(
    fed: tuple[Path, str, list[float]], capsys: pytest.CaptureFixture[str], command: list[str]
) -> None:
    rack, port, heard = fed
    with Locks("margins of another rack") as locks:
        locks.take(port)
        assert main([command[0], str(rack), *command[1:]]) == ExitCode.NOT_TESTED
    told = capsys.readouterr().err
    assert told.startswith(
        f"harness: the supply voltage of rack cannot be relied on now: {port} is in use by margins "
        "of another rack, process "
    )
    assert told.endswith("; wait for it to end, or stop it\n")
    assert heard == []
    with Store.existing(rack.with_name("runs") / "harness.sqlite") as store:
        assert [chip for run in store.runs() for chip in store.run(run).chips] == []
        assert store.margins() == ()


def test_no_voltage_is_changed_while_somebody_else_relies_on_it(
    fed: tuple[Path, str, list[float]], capsys: pytest.CaptureFixture[str]
) -> None:
    rack, port, heard = fed
    sweep = ["margin", str(rack), "--designs", "gray", "--shmoo", "supply", "--supply-ready"]
    with Locks("run 7 of another rack") as locks:
        locks.share(port)
        assert main(sweep) == ExitCode.NOT_TESTED
        told = capsys.readouterr().err
        assert main(["run", str(rack), "--designs", "gray"]) == ExitCode.ALL_PASS
    assert f"cannot be changed now: {port} is in use by run 7 of another rack, process" in told
    assert heard == []
