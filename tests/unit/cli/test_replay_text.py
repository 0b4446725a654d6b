"""What is printed of a replay: then and now, and no claim beyond what is known."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.bundle import compare
from harness.cli.command_replay import _print
from harness.cli.screen import console
from harness.jobs.replay import Replay
from harness.records import UNKNOWN_CHIP, ChipRecord, Verdict
from tests.unit.reports.samples import chip, errored, failed, not_run, passed, run_of

THEN = chip("A3", "SP2-0003", failed(), not_run(), errored())
BOARD = replace(THEN, virtual=False, port="/dev/ttyACM0", board_serial="WB-77")

NOBODY = "a chip whose serial number was not given"


def printed(now: ChipRecord, capsys: pytest.CaptureFixture[str], *altered: str) -> list[str]:
    compared = compare(THEN.outcomes, now.outcomes)
    _print(console(), Replay(run_of(THEN), run_of(now), compared, altered))
    return capsys.readouterr().out.splitlines()


@pytest.mark.parametrize(
    ("now", "told"),
    [
        (THEN, "the virtual chip"),
        (replace(THEN, chip_serial="SP2-0042"), "virtual chip SP2-0042 (as you say)"),
        (replace(THEN, board_serial="WB-09"), "the virtual chip on virtual board WB-09"),
        (
            replace(BOARD, chip_serial="SP2-0042"),
            "SP2-0042 (as you say) on board WB-77 at /dev/ttyACM0",
        ),
        (
            replace(BOARD, chip_serial="SP2-0003"),
            "SP2-0003 (as you say) on board WB-77 at /dev/ttyACM0",
        ),
        (
            replace(BOARD, chip_serial=UNKNOWN_CHIP, board_serial=""),
            f"{NOBODY} on a board without a serial number at /dev/ttyACM0",
        ),
    ],
)
def test_the_heading_names_chip_and_board_then_and_now(
    now: ChipRecord, told: str, capsys: pytest.CaptureFixture[str]
) -> None:
    before = f"Run {run_of(THEN).run_id}, chip SP2-0003 on WB-03"
    assert printed(now, capsys)[0] == f"{before}; now {told}"


def test_tables_that_had_no_verdict_then_are_counted_apart(
    capsys: pytest.CaptureFixture[str],
) -> None:
    bad, unrun, lost = THEN.outcomes
    fails = replace(bad, design=unrun.design, table=unrun.table)
    passes = replace(passed(lost.design, lost.table), verdict=Verdict.PASS)
    lines = printed(replace(THEN, outcomes=(bad, fails, passes)), capsys)
    assert "aes_sbox/all: judged only now (✗ FAIL)" in lines
    assert "uart8n1/loopback: judged only now (✓ PASS)" in lines
    assert lines[-1] == ("1 same failure, 1 judged only now (✗ FAIL), 1 judged only now (✓ PASS)")


def test_every_input_that_cannot_be_checked_is_told(capsys: pytest.CaptureFixture[str]) -> None:
    names = ("inputs/crc16/stream.csv", "inputs/shuttle.toml")
    lines = printed(THEN, capsys, *names)
    assert lines[1:3] == [
        f"{name} is not identical to what was run: the bundle says that secrets were removed, "
        "which cannot be checked"
        for name in names
    ]
