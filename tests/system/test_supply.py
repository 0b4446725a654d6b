"""A virtual rack with a bench supply: what is set there is what the chips get."""

from __future__ import annotations

import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from harness.board import RunConditions
from harness.supply import Limits, SupplySpec, open_supply
from harness.table import load_table
from harness.virtual import SlowPath, VirtualRack
from harness.virtual.speed import relative_speed
from harness.virtual.supply import VirtualSupply
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

    with VirtualRack([slow], NOMINAL) as rack, session(rack.ports["A1"]) as board:
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
