"""``harness report``: write a run's reports again, from what is stored."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.closing import print_reports, print_verdicts
from harness.cli.exit_code import ExitCode
from harness.cli.options import OUT_HELP, STORE_HELP, MarkdownOption
from harness.cli.run_codes import exit_code
from harness.cli.screen import console


def report(
    run_id: Annotated[str, typer.Argument(help="The run or intake, or `latest`.")] = harness.LATEST,
    store: Annotated[str, typer.Option(help=STORE_HELP)] = harness.STORE,
    out: Annotated[Path, typer.Option(help=OUT_HELP)] = harness.RUNS,
    markdown: MarkdownOption = None,
) -> ExitCode:
    """Write the reports of a stored run again. The exit status is the run's."""
    screen = console()
    record = harness.stored_run(run_id, store)
    screen.say(f"{record.kind.capitalize()} {record.run_id}")
    print_verdicts(screen, record)
    print_reports(screen, harness.write_reports(record, out, store))
    if markdown is not None:
        harness.write_summary(record, markdown)
    return exit_code(record)
