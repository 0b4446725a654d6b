"""``harness run``: run tables on the chips of a rack, or on one chip on one port."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.closing import print_reports, print_verdicts
from harness.cli.exit_code import ExitCode
from harness.cli.fault_log import fault_log
from harness.cli.live import display
from harness.cli.options import (
    OUT_HELP,
    RESUME_HELP,
    STORE_HELP,
    DesignsOption,
    MarkdownOption,
    name_patterns,
)
from harness.cli.run_codes import exit_code
from harness.cli.screen import Screen, console

SETTLING_ROUNDS = 2
"""Rounds of five runs each."""

RetriesOption = Annotated[
    int | None,
    typer.Option(
        min=0, show_default="2", help="How often a mismatch is repeated before a verdict."
    ),
]


def run(  # noqa: PLR0913, PLR0917 - one parameter per option of the command
    rack: Annotated[
        Path | None, typer.Argument(help="Rack file. Leave it out to use --port.")
    ] = None,
    port: Annotated[str, typer.Option(help="Serial port or pyserial URL of one board.")] = "",
    chip: Annotated[str, typer.Option(help="With --port: the chip's serial number.")] = "",
    board: Annotated[str, typer.Option(help="With --port: the board's serial number.")] = "",
    shuttle: Annotated[
        Path | None, typer.Option(help="With --port: the shuttle's file. Default: shuttle.toml.")
    ] = None,
    profile: Annotated[
        Path | None, typer.Option(help="With --port: the board profile's file.")
    ] = None,
    designs: DesignsOption = "",
    retries: RetriesOption = None,
    until_settled: Annotated[
        bool,
        typer.Option(
            "--until-settled",
            help="Repeat deciding tables, at most 10 times, while their answers differ.",
        ),
    ] = False,
    resume: Annotated[str, typer.Option(help=RESUME_HELP)] = "",
    store: Annotated[str, typer.Option(help=STORE_HELP)] = harness.STORE,
    out: Annotated[Path, typer.Option(help=OUT_HELP)] = harness.RUNS,
    markdown: MarkdownOption = None,
) -> ExitCode:
    """Run vector tables on every chip of a rack and write its reports.

    Exit status: 0 all PASS or WAIVED, 1 some FAIL or UNSTABLE, 2 wrong usage or input, 3
    something could not be tested.
    """
    chosen = _rack(rack, port, chip, board, shuttle, profile)
    wanted = name_patterns(designs)
    policy = None if retries is None else harness.RetryPolicy(retries)
    rounds = SETTLING_ROUNDS if until_settled else 0
    record = measured(console(), chosen, store, out, wanted, policy, resume, rounds)
    if markdown is not None:
        harness.write_summary(record, markdown)
    return exit_code(record)


def measured(
    screen: Screen,
    rack: harness.Rack,
    store: str,
    out: Path,
    designs: Sequence[str] = (),
    policy: harness.RetryPolicy | None = None,
    resume: str = "",
    rounds: int = 0,
) -> harness.RunRecord:
    """Run a rack, print its progress and verdicts, and write its reports."""
    if not all(slot.virtual for slot in rack.slots):
        screen.say(f"{rack.profile.name}, {rack.profile.driven_text}")
    with fault_log(out), harness.Store(store) as kept:
        with display(screen, rack.slots) as observe:
            record = harness.run(rack, kept, designs, policy, observe, resume=resume, rounds=rounds)
        screen.say()
        screen.say(f"Run {record.run_id}, kept in {kept.place}")
        print_verdicts(screen, record)
        print_reports(screen, harness.write_reports(record, out, kept))
    return record


def _rack(
    rack: Path | None,
    port: str,
    chip: str,
    board: str,
    shuttle: Path | None,
    profile: Path | None,
) -> harness.Rack:
    """Load the rack file, or make a rack of one port; never both."""
    if rack is not None:
        if port or chip or board or shuttle or profile:
            raise typer.BadParameter("give a rack file, or --port with its options, not both")
        return harness.load_rack(rack)
    if not port or not chip or profile is None:
        raise typer.BadParameter("give a rack file, or all of --port, --chip and --profile")
    return harness.single_slot(port, chip, board, shuttle or harness.SHUTTLE, profile)
