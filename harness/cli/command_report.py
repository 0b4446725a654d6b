"""``harness report``: write a run's reports again, from what is stored."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from harness.cli.closing import print_reports, print_verdicts
from harness.cli.exit_code import ExitCode
from harness.cli.options import LATEST, OUT_HELP, RUNS, STORE, STORE_HELP, named_run
from harness.cli.run_codes import exit_code
from harness.cli.screen import console
from harness.store import Store
from harness_reports import write_run


def report(
    run_id: Annotated[str, typer.Argument(help="The run or intake, or `latest` of both.")] = LATEST,
    store: Annotated[str, typer.Option(help=STORE_HELP)] = STORE,
    out: Annotated[Path, typer.Option(help=OUT_HELP)] = RUNS,
) -> ExitCode:
    """Write the reports of a stored run again. The exit status is that of the run."""
    screen = console()
    with Store.existing(store) as kept:
        record = named_run(kept, run_id)
        margins = kept.margins_behind(record.run_id)
    screen.say(f"{record.kind.capitalize()} {record.run_id}")
    print_verdicts(screen, record)
    print_reports(screen, write_run(record, out / record.run_id, margins=margins))
    return exit_code(record)
