"""What a run's evidence is evaluated with, and which tables may settle more."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from harness.blame import RULES
from harness.board import load_profile
from harness.jobs.settle import Evaluator, deciding_tables
from harness.rack import Rack, Slot, read_jobs
from harness.records import Attempt, Cause, SlotPins, Verdict
from tests.published import demo
from tests.unit.reports.samples import chip, failed, passed, run_of

WADER = Path(__file__).parents[3] / "ci" / "wader.toml"
PROFILE = load_profile(WADER, demo.shuttle())


def test_a_table_of_a_design_without_a_netlist_did_not_fail_its_rehearsal() -> None:
    bare = replace(demo.design("cmp85"), netlist=None)
    shuttle = replace(demo.shuttle(), designs=(bare,), pin_check=())
    slot = Slot("A1", "/dev/ttyACM0", "", "SP2-0001")
    jobs, _ = read_jobs(shuttle, [(bare, bare.tables[0])])
    outcome = failed("cmp85", bare.tables[0].name, table_sha256=jobs[0].pattern.sha256)
    run = run_of(chip("A1", "SP2-0001", outcome))
    (found,) = Evaluator(Rack("one", shuttle, PROFILE, (slot,)), jobs).evaluate(run).outcomes
    assert (found.rules, found.counts) == (RULES, True)


def test_only_requested_tables_run_again_to_settle_a_cause() -> None:
    attempts = tuple(Attempt(number, number, f"{number}", 0.1) for number in (1, 2))
    unsteady = failed("crc16", "bytes", verdict=Verdict.UNSTABLE, attempts=attempts)
    asks = ("crc16/bytes", "lfsr/period", "secded/errors")
    cause = Cause("A1", ("A1",), (), (), 2.0, False, ("crc16/bytes",), "", "", "A2", asks, (), None)
    extra = SlotPins("A1", ("secded/errors",), (passed("secded", "errors"),), ())
    run = run_of(
        chip("A1", "SP2-0001", unsteady, passed("lfsr", "period")),
        causes=(cause,),
        continuity=(extra,),
    )
    assert deciding_tables(run) == {"A1": {("crc16", "bytes"), ("lfsr", "period")}}
