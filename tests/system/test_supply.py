"""A virtual rack with a bench supply: what is set there is what the chips get."""

from __future__ import annotations

from harness.board import RunConditions
from harness.supply import Limits, SupplySpec, open_supply
from harness.table import load_table
from harness.virtual import SlowPath, VirtualRack
from harness.virtual.speed import relative_speed
from tests.system.virtual import PROFILE, session, shuttle, spec

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
