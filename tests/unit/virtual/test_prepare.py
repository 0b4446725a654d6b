"""What is compiled ahead is what first tables need."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from harness.board import load_profile
from harness.netlist.cycles import run_table
from harness.netlist.pins import start
from harness.rehearse import Cache, Rehearser, predict
from harness.shuttle import load_shuttle
from harness.table import load_table
from harness.virtual.chip import ChipModel
from harness.virtual.lines import power_up, run_cycles
from harness.virtual.prepare import prepare
from tests.published.generators import VECTORS

WADER = Path(__file__).parents[3] / "ci" / "wader.toml"
LOOPS: tuple[Any, ...] = (start, run_table, power_up, run_cycles)


def compiled() -> list[list[str]]:
    """The types for which there is code of each loop."""
    return [sorted(map(str, loop.overloads)) for loop in LOOPS]


def test_a_rehearsal_a_prediction_and_a_run_compile_nothing_that_was_not_prepared(
    tmp_path: Path,
) -> None:
    prepare()
    prepared = compiled()
    assert all(prepared)
    shuttle = load_shuttle(VECTORS)
    profile = load_profile(WADER, shuttle)
    design = shuttle.designs_by_name["ctr163"]
    spec = design.tables[0]
    pattern = load_table(spec, design, shuttle)
    Rehearser(shuttle, Cache(tmp_path)).rehearse(design, spec, pattern)
    predict(shuttle, [(design, spec, pattern)], profile, cache=Cache(tmp_path))
    ChipModel(shuttle, profile.select, "SP2-0001").run_until(0, 0, 0, 0, 0, 1)
    assert compiled() == prepared
