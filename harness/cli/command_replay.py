"""``harness replay``: run a bundle again and print whether the failure is the same."""

from __future__ import annotations

from collections import Counter
from contextlib import nullcontext
from pathlib import Path
from typing import Annotated

import typer

import harness
from harness.cli.closing import cause_lines, print_reports
from harness.cli.exit_code import ExitCode
from harness.cli.fault_log import fault_log
from harness.cli.live import LineDisplay
from harness.cli.run_codes import exit_code
from harness.cli.screen import Screen, console
from harness.cli.words import verdict_text
from harness.records import ChipRecord


def replay(
    bundle: Annotated[Path, typer.Argument(help="A file that `harness bundle` made.")],
    port: Annotated[
        str,
        typer.Option(
            show_default="virtual",
            help="Serial port or pyserial URL of a board; else the virtual chip.",
        ),
    ] = "",
    chip: Annotated[str, typer.Option(help="The serial number of the chip in that board.")] = "",
    board: Annotated[str, typer.Option(help="The board's serial number.")] = "",
    profile: Annotated[
        Path | None, typer.Option(help="The board's profile, if it differs from the bundle's.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder for reports of the replay; none without it.")
    ] = None,
    long: Annotated[bool, typer.Option("--long", help="Run more than 50 million cycles.")] = False,
) -> ExitCode:
    """Run exactly what a bundle holds, and compare with what it recorded.

    Exit status: 0 all PASS now, 1 some FAIL or UNSTABLE, 2 wrong usage or a refused bundle,
    3 something could not be tested. Nothing is added to the store.
    """
    screen = console()
    port = port or harness.VIRTUAL_PORT
    target = harness.ReplayTarget(port, chip, board, profile, None if long else harness.MAX_CYCLES)
    with fault_log(out) if out is not None else nullcontext():
        result = harness.replay(bundle, target, LineDisplay(screen))
    screen.say()
    _print(screen, result)
    if out is not None:
        print_reports(screen, harness.write_reports(result.now, out))
    return exit_code(result.now)


def _print(screen: Screen, replayed: harness.Replay) -> None:
    (then,), (now,) = replayed.then.chips, replayed.now.chips
    board = f" on {then.board_serial}" if then.board_serial else ""
    screen.say(f"Run {replayed.then.run_id}, chip {then.chip_serial}{board}; now {_now(then, now)}")
    for name in replayed.altered:
        screen.say(
            f"{name} is not identical to what was run: the bundle says that secrets were "
            "removed, which cannot be checked"
        )
    if now.trouble:
        screen.say(now.trouble)
    screen.say_each(cause_lines(replayed.now))
    for item in replayed.comparisons:
        screen.say_each(_lines(item))
    order = list(harness.Likeness)
    items = sorted(replayed.comparisons, key=lambda item: order.index(item.likeness))
    counts = Counter(map(_words, items))
    screen.say(", ".join(f"{count} {words}" for words, count in counts.items()))


def _now(then: ChipRecord, now: ChipRecord) -> str:
    """Describe what the replay ran on; a serial number that only a person gave is marked."""
    chip = f"{now.chip_serial} (as you say)"
    if now.virtual:
        same = now.chip_serial == then.chip_serial
        chip = "the virtual chip" if same else f"virtual chip {chip}"
        other = now.board_serial != then.board_serial
        return f"{chip} on virtual board {now.board_serial}" if other else chip
    if now.chip_serial == harness.UNKNOWN_CHIP:
        chip = "a chip whose serial number was not given"
    board = f"board {now.board_serial}" if now.board_serial else "a board without a serial number"
    return f"{chip} on {board} at {now.port}"


def _words(item: harness.Comparison) -> str:
    if item.likeness is harness.Likeness.JUDGED_NOW and item.now is not None:
        return f"{item.likeness} ({verdict_text(item.now.verdict)})"
    return str(item.likeness)


def _lines(item: harness.Comparison) -> list[str]:
    if item.likeness is harness.Likeness.STILL_PASSES:
        return []
    lines = [f"{item.then.design}/{item.then.table}: {_words(item)}"]
    lines.append(f"  then {verdict_text(item.then.verdict)}  {item.then.summary}")
    if item.now is not None and item.likeness is not harness.Likeness.SAME_FAILURE:
        lines.append(f"  now  {verdict_text(item.now.verdict)}  {item.now.summary}")
    return lines
