"""``harness nightly``: run everything and print in five lines what changed since the baseline."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.live import display
from harness.cli.options import OUT_HELP, RESUME_HELP, STORE_HELP, MarkdownOption
from harness.cli.run_codes import night_code
from harness.cli.screen import complain, console, error_console


def nightly(
    rack: Annotated[Path, typer.Argument(help="Rack file.")],
    resume: Annotated[str, typer.Option(help=RESUME_HELP)] = "",
    store: Annotated[str, typer.Option(help=STORE_HELP)] = harness.STORE,
    out: Annotated[Path, typer.Option(help=OUT_HELP)] = harness.RUNS,
    markdown: MarkdownOption = None,
) -> ExitCode:
    """Run every table on every slot and compare with the baseline.

    Exit status: 0 nothing new, 1 a new failure or unstable table, 2 wrong usage or input, 3
    something could not be tested that the baseline tested. The baseline is the run of this rack
    that `harness accept` accepted last.
    """
    chosen = harness.load_rack(rack)
    screen = console()
    progress = screen if screen.is_terminal else error_console()
    with display(progress, chosen.slots) as observe:
        night = harness.night(chosen, store, out, resume, observe=observe)
    screen.say(night.heading)
    screen.say_each(night.lines)
    screen.say(f"Everything is in {night.folder}")
    if markdown is not None:
        harness.write_summary(night.record, markdown, night.lines)
    if night.log_lost:
        complain(f"harness: {night.log_lost}")
    if night.record.cancelled:
        words = ("harness", "nightly", str(rack), "--resume", night.record.run_id)
        screen.say(f"The night was stopped: {shlex.join(words)} finishes it")
    elif not night.changes.baseline:
        screen.say(f"harness accept {night.record.run_id} makes this night the baseline")
    return night_code(night.changes, night.record, night.margins)
