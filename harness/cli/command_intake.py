"""``harness intake``: guide a person through the check of new chips."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.fault_log import fault_log
from harness.cli.options import OUT_HELP, STORE_HELP
from harness.cli.screen import console

_THE_SAME = {False: "The same command", True: "The same command without --start-over"}


def intake(
    rack: Annotated[Path, typer.Argument(help="Rack file: the boards and the chips on them.")],
    slot: Annotated[list[str] | None, typer.Option(help="Only this slot; repeatable.")] = None,
    by: Annotated[
        str, typer.Option(help="Name of the person who answers; asked for if left out.")
    ] = "",
    on_failure: Annotated[
        harness.OnFailure | None,
        typer.Option(
            help="After a table that does not pass. Default: ask; without a terminal, continue."
        ),
    ] = None,
    start_over: Annotated[
        bool,
        typer.Option("--start-over", help="Give up an intake that was left, and begin a new one."),
    ] = False,
    store: Annotated[str, typer.Option(help=STORE_HELP)] = harness.STORE,
    out: Annotated[Path, typer.Option(help=OUT_HELP)] = harness.RUNS,
) -> ExitCode:
    """Check new chips before they are handed out, step by step, and write a card for each.

    Every answer is saved at once. Ctrl-C leaves; the same command resumes where it stopped.
    Exit status: 0 every chip may be handed out, 1 some chip is held (even if another is aside),
    2 wrong usage or input, 3 the intake was left before its end, or a chip is still aside.
    """
    chosen, screen = harness.load_rack(rack), console()
    with fault_log(out):
        sitting = harness.hold_intake(
            chosen, screen, store, out, slot or (), by, on_failure, start_over=start_over
        )
    if sitting.left:
        screen.say(f"\nLeft. Every answer is saved in {sitting.journals}.")
        screen.say(f"{_THE_SAME[start_over]} continues from here.")
        screen.say("If the board is on, unplug it before you touch the chip.")
        return ExitCode.NOT_TESTED
    if any(chip.hold_reasons for chip in sitting.chips):
        return ExitCode.CHIP_FAILED
    return ExitCode.NOT_TESTED if sitting.aside else ExitCode.ALL_PASS
