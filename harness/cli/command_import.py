"""``harness import``: a table from a waveform dump of the author's own simulation."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.made import say_what_follows
from harness.cli.run_codes import rehearsal_code
from harness.cli.screen import Screen, complain, console
from harness.cli.steps import Steps, shown_steps
from harness.errors import Location, many
from harness.records import RehearsalResult

_MAP = (
    "NAME=SIGNAL: another variable for a signal or a bit (q[2]=tb.x[0]); NAME=0 holds it. "
    "Of a JEDEC file: NAME=PINS (clk=1, d=5..2)."
)
_DRIVEN = (
    "NAME=SIGNAL: the bench drives bidirectional NAME while SIGNAL is 1 (!SIGNAL: 0), or `always` "
    "or `never`."
)
_SAMPLE = "How to sample; vectors/README.md explains the three ways."


def import_(  # noqa: PLR0913, PLR0917 - the options of a command
    dump: Annotated[Path, typer.Argument(help="VCD, FST or JEDEC file.")],
    design: Annotated[str, typer.Option(help="The design: its name or its folder.")],
    table: Annotated[str, typer.Option(help="Name of the table; default: that of the file.")] = "",
    scope: Annotated[str, typer.Option(help="Scope of the design in the dump.")] = "",
    signals: Annotated[list[str] | None, typer.Option("--map", help=_MAP)] = None,
    driven: Annotated[list[str] | None, typer.Option(help=_DRIVEN)] = None,
    clock: Annotated[str, typer.Option(help="Use another input as the clock.")] = "",
    sample: Annotated[harness.Sample, typer.Option(help=_SAMPLE)] = harness.Sample.PULSES,
    edge: Annotated[harness.Edge | None, typer.Option(help="Active edge of the clock.")] = None,
    keep_reset: Annotated[bool, typer.Option("--keep-reset", help="Keep reset rows.")] = False,
    replace: Annotated[bool, typer.Option("--replace", help="Replace an existing table.")] = False,
    yes: Annotated[bool, typer.Option("--yes", help="Accept the map without asking.")] = False,
) -> ExitCode:
    """Make a table from a VCD or FST dump or a JEDEC file, and replay it on the design's netlist.

    Shows which variable of the dump is which signal, and asks for confirmation. Notes what the
    table does not show, and where it disagrees with the netlist.

    Exit status: 0 the table agrees with the netlist, or there is none; 1 it disagrees, or
    no board may run it; 2 wrong usage or input, or the map was not confirmed; 3 the netlist cannot
    be used.
    """
    screen = console()
    wanted = harness.Wanted(scope, signals or (), driven or (), clock)
    recipe = harness.Recipe(sample, edge, keep_reset)
    options = harness.ImportOptions(table, replace, wanted, recipe)
    with shown_steps(screen) as steps:
        jedec = dump.suffix.lower() in harness.JEDEC_SUFFIXES
        work = harness.import_jesd3 if jedec else harness.import_dump
        done = work(dump, design, options, _confirm(screen, steps, yes), steps)
    if done is None:
        return ExitCode.BAD_INPUT
    _say(screen, done)
    return rehearsal_code([done.rehearsal])


def _say(screen: Screen, done: harness.ImportedTable) -> None:
    screen.say(f"{Location(done.path)}: {many(done.rows, 'row')}")
    screen.say_each(f"note: {notice}" for notice in done.notices)
    screen.say_each(done.findings)
    if done.rehearsal.why:
        screen.say(f"not replayed: {done.rehearsal.why}")
    elif done.rehearsal.result is RehearsalResult.PASSES:
        screen.say("replayed on the netlist: every row agrees")
    else:
        screen.say("replayed on the netlist: it disagrees")
    screen.say_each(f"  {line}" for line in done.explanation)
    say_what_follows(screen, done)


def _confirm(screen: Screen, steps: Steps, yes: bool) -> Callable[[tuple[str, ...]], bool]:
    def confirm(lines: tuple[str, ...]) -> bool:
        screen.say_each(lines)
        if yes:
            return True
        if not screen.attended:
            complain("harness: the map needs to be confirmed; add --yes, or --map to change it")
            return False
        return screen.ask("Make the table", "Y/n").strip().lower() in {"", "y", "yes"}

    return lambda lines: steps.aside(lambda: confirm(lines))
