"""``harness accept``: make a run the baseline that later nights are compared with."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated

import typer

from harness.cli.exit_code import ExitCode
from harness.cli.options import STORE, STORE_HELP, named_run
from harness.cli.screen import console
from harness.cli.words import counts_text
from harness.judge import changes
from harness.records import RunKind
from harness.store import Store


def accept(
    run: Annotated[
        str, typer.Argument(help="The run whose verdicts are known, or `latest`: no intake.")
    ],
    reason: Annotated[str, typer.Option(help="Why it is accepted, for those who ask later.")] = "",
    store: Annotated[str, typer.Option(help=STORE_HELP)] = STORE,
) -> ExitCode:
    """Accept a finished run as its rack's baseline; what fails in it does not turn a night red."""
    with Store.existing(store) as kept:
        record = named_run(kept, run, RunKind.RUN)
        before = kept.baseline(record)
        kept.accept(record.run_id, datetime.now(UTC), reason)
    counts = counts_text(outcome.verdict for chip in record.chips for outcome in chip.outcomes)
    line = f"Run {record.run_id} is the baseline of rack {record.rack} from now on: {counts}"
    screen = console()
    screen.say(line)
    lost = len(changes(record, before).lost) if before is not None else 0
    if lost:
        screen.say(
            f"Beware: {lost} tables of the baseline before are not in it, so whatever they find "
            "will be new."
        )
    return ExitCode.ALL_PASS
