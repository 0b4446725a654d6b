"""``harness replay``: run a bundle again and say whether the failure is the same."""

from __future__ import annotations

from collections import Counter
from pathlib import Path
from typing import Annotated

import typer

from harness.bundle import Comparison, Likeness, Replay, Target, replay
from harness.cli.closing import print_reports
from harness.cli.exit_code import ExitCode, exit_code
from harness.cli.screen import Screen, console
from harness.cli.words import verdict_text
from harness.rack import VIRTUAL_PORT
from reports import write_run

_QUIET = {Likeness.STILL_PASSES}


def replay_bundle(
    bundle: Annotated[Path, typer.Argument(help="A file that `harness bundle` made.")],
    port: Annotated[
        str, typer.Option(help="Serial port or pyserial URL of a board; else the virtual chip.")
    ] = VIRTUAL_PORT,
    chip: Annotated[str, typer.Option(help="Another chip's serial number.")] = "",
    board: Annotated[str, typer.Option(help="The board's serial number.")] = "",
    profile: Annotated[
        Path | None, typer.Option(help="The board's profile, if it is another kind of board.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder for the replay's own reports; else none.")
    ] = None,
) -> ExitCode:
    """Run exactly what a bundle holds, and compare with what it recorded.

    Exit status: 0 all PASS now, 1 some FAIL or UNSTABLE, 2 wrong usage or a bundle that is
    refused, 3 something could not be tested. Nothing is added to the store.
    """
    found = replay(bundle, Target(port, chip, board, profile))
    screen = console()
    _print(screen, found)
    if out is not None:
        print_reports(screen, write_run(found.now, out / found.now.run_id))
    return exit_code(found.now)


def _print(screen: Screen, found: Replay) -> None:
    (then,), (now,) = found.then.chips, found.now.chips
    where = "on the virtual chip" if now.virtual else f"at {now.port}"
    screen.say(f"Run {found.then.run_id}, chip {then.chip_serial}, replayed {where}")
    if now.trouble:
        screen.say(now.trouble)
    for item in found.comparisons:
        for line in _lines(item):
            screen.say(line)
    counts = Counter(item.likeness for item in found.comparisons)
    told = (f"{counts[likeness]} {likeness}" for likeness in Likeness if counts[likeness])
    screen.say(", ".join(told))


def _lines(item: Comparison) -> list[str]:
    if item.likeness in _QUIET:
        return []
    lines = [f"{item.then.design}/{item.then.table}: {item.likeness}"]
    lines.append(f"  then {verdict_text(item.then.verdict)}  {item.then.summary}")
    if item.now is not None and item.likeness is not Likeness.SAME_FAILURE:
        lines.append(f"  now  {verdict_text(item.now.verdict)}  {item.now.summary}")
    return lines
