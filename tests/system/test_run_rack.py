"""From a rack file to verdicts: real agent, real interpreter, real serial link, model chips."""

from __future__ import annotations

import os
import select
import signal
import subprocess
import sys
import time
from dataclasses import dataclass, replace
from pathlib import Path

import pytest

import harness
from harness.cli import ExitCode, main
from harness.cli.run_codes import exit_code
from harness.rack import Event, Rack, Slot, TableJudged
from harness.records import ChipRecord, Outcome, Reason, RunRecord, Verdict
from harness.store import Store
from harness.virtual import BoardFault, ChipDefect, LinkFault
from harness.virtual.faults import NetStuck, OpenPin, Unplug
from tests.system.virtual import UPLOAD_BYTES

ROOT = Path(__file__).parents[2]
DEMO = ROOT / "ci/demo-rack.toml"
QUIET_S = 3.0
"""No table of one slot takes that long; a hung board is given up later."""
SLOT_TEXT = """
[[slot]]
name = "A{number}"
port = "virtual"
board = "WB-0{number}"
chip = "SP2-000{number}"
"""


def slot(
    number: int,
    defects: tuple[ChipDefect, ...] = (),
    board_faults: tuple[BoardFault, ...] = (),
    link_faults: tuple[LinkFault, ...] = (),
) -> Slot:
    return Slot(
        f"A{number}",
        "virtual",
        f"WB-0{number}",
        f"SP2-000{number}",
        defects,
        board_faults,
        link_faults,
        patience_s=0.5,
    )


def rack_of(*slots: Slot) -> Rack:
    return replace(harness.load_rack(DEMO), slots=slots)


def outcome_of(chip: ChipRecord, design: str, table: str) -> Outcome:
    return next(o for o in chip.outcomes if (o.design, o.table) == (design, table))


@dataclass(frozen=True)
class Watched:
    """A finished run, and for each outcome whether it was stored when the watcher heard of it."""

    record: RunRecord
    stored: tuple[bool, ...]


@pytest.fixture(scope="module")
def watched(tmp_path_factory: pytest.TempPathFactory) -> Watched:
    """Two designs on a good chip, a chip with a stuck net, and a board with an open pin."""
    rack = rack_of(
        slot(1),
        slot(2, defects=(NetStuck("crc16", "rem[9]", 0),)),
        slot(3, board_faults=(OpenPin("out8"),)),
    )
    path = tmp_path_factory.mktemp("store") / "results.sqlite"
    stored: list[bool] = []

    def watch(event: Event) -> None:
        if isinstance(event, TableJudged):
            with Store.existing(path) as other:
                kept = [o for chip in other.latest_run().chips for o in chip.outcomes]
            stored.append(event.outcome in kept)

    record = harness.run(rack, path, designs=["bcd7seg", "crc*"], observe=watch)
    return Watched(record, tuple(stored))


@pytest.fixture(scope="module")
def run(watched: Watched) -> RunRecord:
    return watched.record


def test_every_chip_gets_the_verdict_that_its_fault_deserves(run: RunRecord) -> None:
    assert [(chip.chip_serial, chip.verdict) for chip in run.chips] == [
        ("SP2-0001", Verdict.PASS),
        ("SP2-0002", Verdict.FAIL),
        ("SP2-0003", Verdict.ERROR),
    ]
    assert exit_code(run) == ExitCode.CHIP_FAILED


def test_the_defective_chips_outcome_names_design_cycle_and_pin(run: RunRecord) -> None:
    outcome = outcome_of(run.chips[1], "crc16", "check")
    assert outcome.verdict is Verdict.FAIL
    first = outcome.evidence[0]
    assert (first.cycle, first.line) == (0, 2)
    assert [(pin.pin, pin.signal, pin.expected, pin.observed) for pin in first.wrong] == [
        ("out1", "crc[1]", "H", "0")
    ]
    assert outcome.window is not None
    assert outcome.window.cycles[0] == 0
    assert len({attempt.signature for attempt in outcome.attempts}) == 1


def test_another_chips_pass_points_at_the_failing_chip(run: RunRecord) -> None:
    outcome = outcome_of(run.chips[1], "crc16", "check")
    assert outcome.reason is Reason.CHIP_DEFECT
    assert outcome.advice.startswith("A2 (SP2-0002): this chip has a defect in crc16 (odds ")


def test_the_other_designs_of_the_defective_chip_pass(run: RunRecord) -> None:
    assert outcome_of(run.chips[1], "bcd7seg", "function").verdict is Verdict.PASS


def test_an_open_output_is_the_boards_error_even_where_its_level_was_right(run: RunRecord) -> None:
    chip = run.chips[2]
    assert outcome_of(chip, "bcd7seg", "function").verdict is Verdict.PASS
    for table in ("check", "stream"):
        outcome = outcome_of(chip, "crc16", table)
        assert (outcome.verdict, outcome.reason) == (Verdict.ERROR, Reason.WIRING_OPEN)
        assert outcome.provisional is Reason.PINS_OPEN
        assert outcome.summary.startswith("zero (pin out8) follows the weak pulls")


def test_the_run_knows_who_answered(run: RunRecord) -> None:
    chip = run.chips[0]
    assert (chip.board_serial, chip.backend, chip.virtual) == ("WB-01", "virtual", True)
    assert chip.agent_version
    assert chip.interpreter
    assert run.finished is not None
    assert (run.rack_file, run.shuttle_file) == ("demo-rack.toml", "shuttle.toml")


def test_the_frame_of_outcomes_has_a_row_per_table_and_chip(run: RunRecord) -> None:
    assert len(harness.outcomes(run)) == sum(len(chip.outcomes) for chip in run.chips) == 9


def test_a_board_unplugged_in_mid_burst_costs_only_what_was_under_way(tmp_path: Path) -> None:
    rack = rack_of(slot(1), slot(2, link_faults=(Unplug(UPLOAD_BYTES + 5_000),)))
    record = harness.run(rack, tmp_path / "s.sqlite", designs=["alu181", "bcd7seg"])
    good, lost = record.chips
    assert good.verdict is Verdict.PASS
    assert lost.verdict is Verdict.ERROR
    assert {o.verdict for o in lost.outcomes} <= {Verdict.PASS, Verdict.ERROR, Verdict.NOT_RUN}
    assert len(lost.outcomes) == len(good.outcomes)
    assert exit_code(record) == ExitCode.NOT_TESTED


def test_a_design_that_does_not_exist_stops_before_any_board_is_touched(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    code = main(["run", str(DEMO), "--designs", "crc61", "--store", str(tmp_path / "s.sqlite")])
    assert code == ExitCode.BAD_INPUT
    assert (
        'no design of Sandpiper 2 matches "crc61"; did you mean "crc16"?' in capsys.readouterr().err
    )


def test_a_port_that_is_missing_is_an_outcome_not_a_traceback(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    store = tmp_path / "s.sqlite"
    code = main(
        [
            "run",
            *("--port", "/dev/ttyNONE9", "--chip", "SP2-0001", "--designs", "bcd7seg"),
            *("--shuttle", str(ROOT / "vectors/shuttle.toml")),
            *("--profile", str(ROOT / "ci/wader.toml")),
            *("--store", str(store), "--out", str(tmp_path / "out")),
        ]
    )
    assert code == ExitCode.NOT_TESTED
    assert "/dev/ttyNONE9" in capsys.readouterr().out
    with Store.existing(store) as kept:
        (chip,) = kept.latest_run().chips
    assert [outcome.verdict for outcome in chip.outcomes] == [Verdict.NOT_RUN]
    assert "/dev/ttyNONE9" in chip.trouble


def test_the_store_has_an_outcome_when_a_watcher_hears_of_it(watched: Watched) -> None:
    assert watched.stored == (True,) * 9


def test_control_c_keeps_what_was_measured_and_marks_the_rest(tmp_path: Path) -> None:
    """The signal goes to the whole process group, as a terminal sends it."""
    store, rack = tmp_path / "s.sqlite", tmp_path / "two.toml"
    head = f'shuttle = "{ROOT}/vectors/shuttle.toml"\nprofile = "{ROOT}/ci/wader.toml"\n'
    rack.write_text(head + "".join(SLOT_TEXT.format(number=number) for number in (1, 2)))
    command = [
        *(sys.executable, "-u", "-m", "harness", "run", str(rack)),
        *("--store", str(store), "--out", str(tmp_path / "out")),
    ]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
    )
    assert process.stdout is not None
    lines = []
    for line in process.stdout:
        lines.append(line)
        if "PASS" in line:
            break
    pressed = time.monotonic()
    os.killpg(process.pid, signal.SIGINT)
    rest = process.stdout.read()
    code = process.wait(60)
    process.stdout.close()
    text = "".join(lines) + rest
    assert "Traceback" not in text
    assert time.monotonic() - pressed < 30
    with Store.existing(store) as kept:
        record = kept.latest_run()
    outcomes = [outcome for chip in record.chips for outcome in chip.outcomes]
    assert record.cancelled
    assert len(record.chips) == 2
    assert Reason.LINK_LOST not in {outcome.reason for outcome in outcomes}
    assert Verdict.PASS in {outcome.verdict for outcome in outcomes}
    assert "Not run: the run was stopped" in {outcome.summary for outcome in outcomes}
    assert "The run was stopped" in text
    assert code == exit_code(record)
    assert (tmp_path / "out" / record.run_id / "index.html").exists()


def test_a_second_control_c_ends_the_run_at_once_with_its_own_code(tmp_path: Path) -> None:
    """The first finds the board hung and waits for it; the second does not."""
    store, rack = tmp_path / "s.sqlite", tmp_path / "one.toml"
    head = f'shuttle = "{ROOT}/vectors/shuttle.toml"\nprofile = "{ROOT}/ci/wader.toml"\n'
    hang = '[[slot.link_fault]]\nkind = "hang"\nat_byte = 40000\n'
    rack.write_text(head + SLOT_TEXT.format(number=1) + hang)
    command = [
        *(sys.executable, "-u", "-m", "harness", "run", str(rack)),
        *("--store", str(store), "--out", str(tmp_path / "out")),
    ]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, start_new_session=True
    )
    assert process.stdout is not None
    for line in process.stdout:
        if "PASS" in line:
            break
    while select.select([process.stdout], [], [], QUIET_S)[0]:  # until the board hangs
        assert process.stdout.readline(), "the run is over"
    os.killpg(process.pid, signal.SIGINT)
    told = ""
    for line in process.stdout:
        told = line
        if "Ctrl-C" in line:
            break
    assert told == (
        "stopping: the boards are left as they were found; Ctrl-C again ends this at once\n"
    )
    pressed = time.monotonic()
    os.killpg(process.pid, signal.SIGINT)
    rest = process.stdout.read()
    assert process.wait(60) == 130
    process.stdout.close()
    assert time.monotonic() - pressed < 5
    assert "Traceback" not in rest
    with Store.existing(store) as kept:
        record = kept.latest_run()
    assert record.finished is None
