"""What the tables of a continuity test cannot show, once a run has worked it out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from harness.jobs.unproven import unproven
from harness.rack import Rack, load_rack, read_jobs
from harness.rehearse import Cache, predict
from harness.shuttle import Design

RACK = load_rack(Path(__file__).parents[3] / "ci" / "demo-rack.toml")


def rack(*designs: str, pin_check: tuple[str, ...] = ()) -> Rack:
    """The demo rack with some of its designs."""
    chosen = tuple(RACK.shuttle.designs_by_name[name] for name in designs)
    return replace(RACK, shuttle=replace(RACK.shuttle, designs=chosen, pin_check=pin_check))


def work_out(rack: Rack, cache: Cache) -> None:
    jobs, _ = read_jobs(
        rack.shuttle, ((d, t) for d in rack.shuttle.designs for t in d.tables if t.intake)
    )
    predict(rack.shuttle, [job[:3] for job in jobs], rack.profile, cache=cache)


@pytest.mark.parametrize("pin_check", [(), ("ctr163/sequence",)])
def test_faults_that_no_table_shows_are_named_after_a_run(
    tmp_path: Path, pin_check: tuple[str, ...]
) -> None:
    cache, small = Cache(tmp_path), rack("ctr163", pin_check=pin_check)
    assert unproven(small, cache) == []
    work_out(small, cache)
    (found,) = unproven(small, cache)
    assert found.location.path == RACK.shuttle.path
    assert found.rule == "fault-not-shown"
    assert found.message == (
        "no table of the continuity test fails under these faults of connections: in3 stuck high"
    )


def test_nothing_is_said_where_every_fault_is_shown(tmp_path: Path) -> None:
    cache, whole = Cache(tmp_path), rack("cmp85")
    work_out(whole, cache)
    assert unproven(whole, cache) == []


def test_nothing_is_said_of_designs_without_netlists(tmp_path: Path) -> None:
    bare: Design = replace(RACK.shuttle.designs_by_name["cmp85"], netlist=None)
    cache = Cache(tmp_path)
    blind = replace(RACK, shuttle=replace(RACK.shuttle, designs=(bare,), pin_check=()))
    work_out(blind, cache)
    assert unproven(blind, cache) == []
