"""``harness check``: read files and print every mistake in them."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.exit_code import ExitCode
from harness.cli.screen import console
from harness.errors import Severity, many


def check(
    paths: Annotated[
        list[Path],
        typer.Argument(help="Tables, design, shuttle, profile and rack files, or folders."),
    ],
) -> ExitCode:
    """Check files without running anything, and print every finding with its place."""
    screen = console()
    findings = harness.check(paths)
    screen.say_each(findings)
    errors, warnings = (
        sum(finding.severity is severity for finding in findings)
        for severity in (Severity.ERROR, Severity.WARNING)
    )
    screen.say(f"{many(errors, 'error')}, {many(warnings, 'warning')}")
    return ExitCode.BAD_INPUT if errors else ExitCode.ALL_PASS
