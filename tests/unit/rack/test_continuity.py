"""The tables that come first in every slot."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from harness.board import load_profile
from harness.rack import Rack, Slot, continuity_test
from tests.published import demo

WADER = Path(__file__).parents[3] / "ci" / "wader.toml"


def rack(clock_hz: float) -> Rack:
    """A rack whose continuity test is a table that waits, as often as not in vain."""
    lfsr = demo.design("lfsr")
    tables = tuple(replace(spec, clock_hz=clock_hz) for spec in lfsr.tables)
    shuttle = replace(
        demo.shuttle(),
        designs=(replace(lfsr, tables=tables, netlist=None),),
        pin_check=("lfsr/period",),
    )
    slot = Slot("A1", "/dev/ttyACM0", "", "SP2-0001")
    return Rack("one", shuttle, load_profile(WADER, demo.shuttle()), (slot,))


@pytest.mark.parametrize(("clock_hz", "extras"), [(50_000, ["lfsr/period"]), (2_000, [])])
def test_a_table_that_nobody_requested_runs_only_if_it_is_quick_also_where_nothing_answers(
    clock_hz: float, extras: list[str]
) -> None:
    test = continuity_test(rack(clock_hz), ())
    assert [f"{job.design.name}/{job.spec.name}" for job in test.extras] == extras
    assert list(test.tables) == [tuple(name.split("/")) for name in extras]
