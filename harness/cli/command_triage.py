"""``harness triage``: print what a stored run's failures are due to, or decide otherwise."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

import harness
import harness_reports
from harness.cli.closing import print_verdicts
from harness.cli.exit_code import ExitCode
from harness.cli.options import STORE_HELP
from harness.cli.run_codes import exit_code
from harness.cli.screen import Screen, console, shown
from harness.records import Cause, RunRecord


def triage(
    run_id: Annotated[str, typer.Argument(help="The run or intake, or `latest`.")] = harness.LATEST,
    rack: Annotated[
        Path | None,
        typer.Option(help="The run's rack file: evaluates it again by today's rules."),
    ] = None,
    explain: Annotated[
        str, typer.Option(help="A slot or a cause: shows odds and what decided.")
    ] = "",
    overrule: Annotated[str, typer.Option(help="The cause on which a person decides.")] = "",
    kind: Annotated[str, typer.Option("--as", help="With --overrule: what it is instead.")] = "",
    name: Annotated[str, typer.Option(help="With --overrule: who decides.")] = "",
    reason: Annotated[str, typer.Option(help="With --overrule: why.")] = "",
    store: Annotated[str, typer.Option(help=STORE_HELP)] = harness.STORE,
) -> ExitCode:
    """Print what a stored run's failures are due to. The exit status is the run's."""
    screen = console()
    if overrule:
        record = harness.overrule(run_id, overrule, kind, name, reason, store)
        screen.say(f"Kept with run {record.run_id}:")
        for cause in (cause for cause in record.causes if cause.key == overrule):
            screen.say_each(_explained(cause))
        return exit_code(record)
    if kind or name or reason:
        raise typer.BadParameter("--as, --name and --reason go with --overrule")
    found = harness.triage(run_id, store, harness.load_rack(rack) if rack is not None else None)
    screen.say(f"{found.record.kind.capitalize()} {found.record.run_id}")
    if explain:
        _explain(screen, found.again or found.record, explain)
        return exit_code(found.record)
    print_verdicts(screen, found.record)
    if found.why:
        screen.say(found.why)
    if found.again is not None:
        screen.say()
        screen.say("By today's rules, which change nothing that is stored:")
        print_verdicts(screen, found.again)
    return exit_code(found.record)


def _explain(screen: Screen, run: RunRecord, about: str) -> None:
    """Print the explanations of the causes of a slot, or of one cause, and what decided."""
    causes = [cause for cause in run.causes if about == cause.key or about in cause.slots]
    if not causes:
        known = sorted({*(c.key for c in run.causes), *(chip.slot for chip in run.chips)})
        screen.say(f"Run {run.run_id} has no cause for {about}; ask about {', '.join(known)}.")
    for cause in causes:
        screen.say_each(_explained(cause))
        table = Table("explanation", "odds against", box=None, pad_edge=False)
        for parts in cause.explanations:
            odds = harness_reports.against_text(parts)
            table.add_row(shown(harness_reports.explanation_text(parts)), shown(odds))
        screen.print(table)
        for seen in cause.observations:
            side = "for the first" if seen.weight >= 0 else "against the first"
            screen.say(f"  {seen.slot} {seen.table}: {seen.text} ({side}, {abs(seen.weight):.1f})")


def _explained(cause: Cause) -> Iterator[str]:
    yield f"Cause {cause.key}: {cause.summary} {cause.advice}".rstrip()
    if cause.overruled is not None:
        yield f"  {harness_reports.decision_text(cause.overruled)}"
