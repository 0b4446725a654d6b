"""Where a diagnosis begins, what it keeps, and what it says of what it cannot compare."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from harness.bundle import Places
from harness.errors import RunUnfit
from harness.jobs.diagnose import diagnose_chip, suspected
from harness.records import Candidate, Cause, CauseKind, Overruling
from harness.store import Store
from harness.virtual import faults as f
from harness_reports import chip_html, suspects_json, ticket_markdown
from tests.bench.blame.faults import Fault
from tests.bench.blame.racks import Floor
from tests.unit.reports.samples import chip, run_of

DEFECT = Candidate(CauseKind.DESIGN_DEFECT, (), "ctr163", "", "", 1.0)
OPEN = Candidate(CauseKind.OPEN, ("in3",), "", "", "", 0.4)


def cause(*candidates: Candidate, settled: bool = True) -> Cause:
    shown = ("A1",), ("SP2-0001",), candidates
    return Cause(
        "A1", *shown, 9.0, settled, ("ctr163/sequence",), "A1: a defect.", "", "", (), (), None
    )


def test_a_diagnosis_begins_where_triage_ends() -> None:
    assert suspected(cause(DEFECT)) == ("ctr163",)
    assert suspected(cause(OPEN, DEFECT)) == ()
    assert suspected(cause(OPEN, DEFECT, settled=False)) == ("ctr163",)
    decided = Overruling(CauseKind.OPEN, "M", "the socket was dirty", datetime.now(UTC))
    assert suspected(replace(cause(DEFECT), overruled=decided)) == ()


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store with one run: a chip whose ctr163 has a stuck net."""
    floor = Floor([("ctr163", "sequence")])
    defect = Fault("x", frozenset(), defects=(f.NetStuck("ctr163", "q[1]", 1),))
    outcomes = floor.run(0, "SP2-0001", (defect,))
    settled = [replace(o, rules="1", cause="A1") for o in outcomes]
    run = replace(
        run_of(chip("A1", "SP2-0001", *settled), causes=(cause(DEFECT),)),
        shuttle_file="shuttle.toml",
        shuttle_sha256=floor.shuttle.sha256,
    )
    path = tmp_path_factory.mktemp("store") / "kept.sqlite"
    with Store(path) as kept:
        kept.start_run(replace(run, chips=(), causes=()))
        for each in run.chips:
            kept.record_chip(run.run_id, each)
            kept.record_outcomes(run.run_id, each.outcomes)
        kept.record_causes(run.run_id, run.causes)
    return path


def test_suspects_are_kept_with_the_run_and_stand_in_page_ticket_and_json(store: Path) -> None:
    shuttle = Path(__file__).parents[3] / "vectors" / "shuttle.toml"
    done = diagnose_chip("SP2-0001", places=Places(shuttle=shuttle), store=store)
    ((found,),) = (each.suspects for each in done.causes)
    assert found.suspects[0].name == "q[1] stuck at 1"
    with Store(store) as kept:
        run = kept.run(done.run.run_id)
    assert run.causes == done.causes
    page = chip_html(run, run.chips[0]).decode()
    assert "Suspects inside ctr163 (A1, SP2-0001): 166 stuck-at faults compared on 1 table" in page
    assert "- q\\[1\\] stuck at 1" in ticket_markdown(run, run.chips[0])
    assert '"format": "harness-suspects"' in suspects_json(done.causes[0].suspects)


@pytest.mark.parametrize(
    ("chip_serial", "design", "message"),
    [
        ("SP2-0009", "", "has no results of chip SP2-0009; it has: SP2-0001"),
        ("SP2-0001", "uart", "chip SP2-0001 ran no table of uart in "),
    ],
)
def test_what_the_run_does_not_have_is_wrong_usage(
    store: Path, chip_serial: str, design: str, message: str
) -> None:
    with pytest.raises(RunUnfit) as caught:
        diagnose_chip(chip_serial, design, store=store)
    assert message in str(caught.value)
