"""Show cautions before a bench supply's voltage is changed, and wait for a yes.

One rule: without a yes, typed or given as an option, no voltage is changed.
"""

from __future__ import annotations

from textwrap import fill

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.screen import Screen

COLUMNS = 78
SUPPLY_READY_HELP = "Do not ask: the cautions for the bench supply were read and followed."


def confirm_supply(screen: Screen, spec: harness.SupplySpec, ready: bool) -> None:
    """Show the cautions, and ask unless ``ready``.

    Raises typer.Exit after a no, BadParameter if there is no person to ask.
    """
    screen.say("Before the supply voltage is changed:")
    for caution in harness.cautions(spec):
        screen.say(fill(caution, COLUMNS, initial_indent="  - ", subsequent_indent="    "))
    if ready:
        return
    if not screen.attended:
        raise typer.BadParameter(
            "the supply voltage would change and there is no terminal to ask at; read the cautions "
            "above, then give --supply-ready"
        )
    if not typer.confirm("Is everything as it should be? Change the voltage?"):
        screen.say("Nothing was changed.")
        raise typer.Exit(ExitCode.NOT_TESTED)
