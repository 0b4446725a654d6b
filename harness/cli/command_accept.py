"""``harness accept``: make a run the baseline that later nights are compared with."""

from __future__ import annotations

from typing import Annotated

import typer

import harness
from harness import STORE
from harness.cli.exit_code import ExitCode
from harness.cli.options import STORE_HELP
from harness.cli.screen import console
from harness.cli.words import counts_text


def accept(
    run: Annotated[
        str, typer.Argument(help="The run whose verdicts are known, or `latest`: no intake.")
    ],
    reason: Annotated[str, typer.Option(help="Why it is accepted, for those who ask later.")] = "",
    store: Annotated[str, typer.Option(help=STORE_HELP)] = STORE,
) -> ExitCode:
    """Accept a finished run as its rack's baseline; what fails in it does not turn a night red."""
    accepted = harness.accept(run, reason, store)
    record, screen = accepted.record, console()
    counts = counts_text(outcome.verdict for chip in record.chips for outcome in chip.outcomes)
    screen.say(f"Run {record.run_id} is the baseline of rack {record.rack} from now on: {counts}")
    if accepted.lost:
        screen.say(
            f"Beware: {accepted.lost} tables of the baseline before are not in it, so whatever "
            "they find will be new."
        )
    return ExitCode.ALL_PASS
