"""``harness nightly``: run everything and say in five lines what changed since the baseline."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.text import Text

from harness.cli.exit_code import ExitCode, night_code
from harness.cli.live import display
from harness.cli.options import (
    OUT_HELP,
    RESUME_HELP,
    RUNS,
    STORE,
    STORE_HELP,
    console,
    run_to_resume,
)
from harness.nightly import run_night
from harness.rack import load_rack
from harness.store import Store


def nightly(
    rack: Annotated[Path, typer.Argument(help="Rack file.")],
    resume: Annotated[str, typer.Option(help=RESUME_HELP)] = "",
    store: Annotated[str, typer.Option(help=STORE_HELP)] = STORE,
    out: Annotated[Path, typer.Option(help=OUT_HELP)] = RUNS,
) -> ExitCode:
    """Run every table on every slot and compare with the baseline.

    Exit status: 0 nothing new, 1 something fails or is unstable that did not in the baseline, 2
    wrong usage or input, 3 something could not be tested that the baseline has tested. The
    baseline is the run of this rack that `harness accept` named last.
    """
    chosen = load_rack(rack)
    screen = console()
    with Store(store) as kept:
        before = run_to_resume(kept, resume)
        if screen.is_terminal:
            with display(screen, chosen.slots) as observe:
                night = run_night(chosen, kept, out, before, observe=observe)
        else:
            night = run_night(chosen, kept, out, before)
    found = night.changes
    against = f"compared with {found.baseline}" if found.baseline else "no baseline yet"
    screen.print(Text(f"Night {night.record.run_id} of {chosen.name}, {against}"), soft_wrap=True)
    for line in night.lines:
        screen.print(Text(line), soft_wrap=True)
    screen.print(Text(f"Everything is in {night.folder}"), soft_wrap=True)
    if night.record.cancelled:
        screen.print(
            Text(
                f"The night was stopped: harness nightly {rack} --resume "
                f"{night.record.run_id} finishes it"
            ),
            soft_wrap=True,
        )
    elif not found.baseline:
        screen.print(
            Text(f"harness accept {night.record.run_id} makes this night the baseline"),
            soft_wrap=True,
        )
    return night_code(found, night.record, night.margins)
