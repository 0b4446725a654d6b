"""``harness diagnose``: suspects inside a design that fails on a chip."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer

import harness
import harness_reports
from harness.cli.exit_code import ExitCode
from harness.cli.options import STORE_HELP, ProcessesOption, SchedulerOption, workers
from harness.cli.run_codes import exit_code
from harness.cli.screen import console
from harness.records import Cause


def diagnose(
    run: Annotated[str, typer.Argument(help="The run or intake, or `latest`.")] = harness.LATEST,
    chip: Annotated[str, typer.Option(help="The chip's serial number.")] = "",
    design: Annotated[str, typer.Option(help="Only this design.")] = "",
    shuttle: Annotated[Path | None, typer.Option(help="The run's shuttle.toml.")] = None,
    json: Annotated[Path | None, typer.Option(help="Write the suspects as JSON.")] = None,
    store: Annotated[str, typer.Option(help=STORE_HELP)] = harness.STORE,
    processes: ProcessesOption = 0,
    scheduler: SchedulerOption = "",
) -> ExitCode:
    """Name what may be wrong inside a design that fails on a chip, the best explanation first.

    All stuck-at faults are compared with all that the chip answered, and slow paths if a margin
    search has seen the design pass at a lower rate. It begins where `harness triage` ends: if
    board, wiring, table or pads are to blame, that is all it says. The list is kept with the run,
    and reports that are written afterwards show it. The run's shuttle is searched for below the
    current folder. The exit status is the run's.
    """
    if not chip:
        raise typer.BadParameter("--chip is missing: the serial number of a chip of the run")
    places = harness.Places(shuttle=shuttle)
    by = workers(processes, scheduler)
    done = harness.diagnose_chip(chip, design, run, places, store, by)
    screen = console()
    for cause in done.causes:
        screen.say_each(_lines(cause))
    if not done.causes:
        screen.say(f"Run {done.run.run_id} has no cause of failures on {chip}.")
    if done.changed:
        screen.say(f"Changed since then and left out: {', '.join(done.changed)}.")
    if json is not None:
        harness.write_suspects(done, json)
        screen.say(f"JSON     {json}")
    return exit_code(done.run)


def _lines(cause: Cause) -> Iterator[str]:
    yield f"Cause {cause.key}: {cause.summary} {cause.advice}".rstrip()
    if not cause.suspects:
        yield "  No design is suspected, or none of its answers can be compared with its netlist."
    for one in cause.suspects:
        yield f"  {harness_reports.suspects_heading(one)}"
        for number, suspect in enumerate(one.suspects, 1):
            yield f"  {number:2}. {harness_reports.suspect_text(suspect)}"
            yield f"      {harness_reports.suspect_fit(suspect)}"
            yield f"      {harness_reports.suspect_place(suspect)}"
        for separation in one.separations:
            yield f"  {harness_reports.separation_text(separation)}"
        for left in one.left_out:
            yield f"  Not tried: {left}."
