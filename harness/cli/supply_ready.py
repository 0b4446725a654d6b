"""Cautions before a bench supply's voltage is changed, and the yes that they wait for.

One rule: without a yes, typed or given as an option, no voltage is changed.
"""

from __future__ import annotations

from textwrap import fill

import typer

from harness import SupplySpec, cautions
from harness.cli.exit_code import ExitCode
from harness.cli.screen import Screen

COLUMNS = 78
SUPPLY_READY_HELP = "The cautions for the bench supply were read and followed: do not ask."


def confirm_supply(screen: Screen, spec: SupplySpec, ready: bool) -> None:
    """Show the cautions, and ask unless ``ready``.

    Raises typer.Exit after a no, BadParameter where nobody can be asked.
    """
    screen.say("Before the supply voltage is changed:")
    for caution in cautions(spec):
        told = fill(caution, COLUMNS, initial_indent="  - ", subsequent_indent="    ")
        screen.say(told)
    if ready:
        return
    if not screen.attended:
        raise typer.BadParameter(
            "a supply voltage would be changed and nobody can be asked; read the cautions above, "
            "then give --supply-ready"
        )
    if not typer.confirm("Everything is as it should be; change the voltage?"):
        screen.say("Nothing was changed.")
        raise typer.Exit(ExitCode.NOT_TESTED)
