"""``harness accept``: make a run the baseline of its rack."""

from __future__ import annotations

from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.options import STORE_HELP
from harness.cli.screen import console
from harness.cli.words import counts_text


def accept(
    run: Annotated[str, typer.Argument(help="The run to accept, or `latest`; not an intake.")],
    reason: Annotated[str, typer.Option(help="Why it is accepted; later nights show it.")] = "",
    store: Annotated[str, typer.Option(help=STORE_HELP)] = harness.STORE,
) -> ExitCode:
    """Accept a finished run as its rack's baseline; its failures do not turn a night red."""
    accepted = harness.accept(run, reason, store)
    record, screen = accepted.record, console()
    counts = counts_text(outcome.verdict for outcome in record.outcomes)
    screen.say(f"Run {record.run_id} is now the baseline of {record.rack}: {counts}")
    if accepted.lost:
        screen.say(
            f"Warning: {accepted.lost} tables of the previous baseline are not in it; their "
            "results will count as new."
        )
    return ExitCode.ALL_PASS
