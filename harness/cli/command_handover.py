"""``harness handover``: leave a board so that it starts a design by itself, and undo that."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import Annotated

import typer

import harness
import harness_reports
from harness.cli.exit_code import ExitCode
from harness.cli.options import OUT_HELP, STORE_HELP
from harness.cli.screen import Screen, complain, console

RACK = Path("rack.toml")
CAUTIONS = """\
The controller drives the chip's inputs as soon as it has power: connect nothing else to one,
unless it was released (--set NAME=F).
Unplug the board before you touch chip, board or wires, and wear a grounded wrist strap.
Power it from a supply with a current limit."""


def handover(  # noqa: PLR0913, PLR0917 - one parameter per option of the command
    slot: Annotated[str, typer.Argument(help="The slot whose board is handed over.")],
    rack: Annotated[Path, typer.Option(help="Rack file.")] = RACK,
    design: Annotated[str, typer.Option(help="The design that the board starts.")] = "",
    rate: Annotated[
        float | None, typer.Option(help="Clock rate in Hz. Default: that of its fastest table.")
    ] = None,
    levels: Annotated[
        list[str] | None,
        typer.Option(
            "--set",
            metavar="NAME=VALUE",
            help="Hold an input, such as en=1 or d=0x5; F releases it. Repeatable. Default: low.",
        ),
    ] = None,
    reason: Annotated[
        str, typer.Option(help="Why a design that did not pass is handed over; kept.")
    ] = "",
    undo: Annotated[bool, typer.Option("--undo", help="Restore the board's own program.")] = False,
    store: Annotated[str, typer.Option(help=STORE_HELP)] = harness.STORE,
    out: Annotated[Path, typer.Option(help=OUT_HELP)] = harness.RUNS,
) -> ExitCode:
    """Leave a board so that it starts a design by itself at power-up, without a computer.

    It selects the design, resets it, holds its inputs and clocks it. The board's own main.py is
    kept in the store, and --undo restores it. Every run on this board ends with the design running
    again. The design must have passed on this chip, or give a reason. A label for the board, which
    says so, is written beside the reports.
    """
    screen = console()
    chosen = harness.load_rack(rack)
    if undo:
        _refuse_with_undo(design=design, rate=rate, levels=levels, reason=reason)
        undone = harness.take_back(chosen, slot, store, out)
        _say_undone(screen, undone)
        return _label_code(undone)
    if not design:
        raise typer.BadParameter("--design is missing: the design that the board starts")
    try:
        done = harness.hand_over(
            chosen, slot, design, rate, _levels(levels or []), reason, store, out
        )
    except ValueError as error:
        raise typer.BadParameter(str(error)) from error
    _say_done(screen, done, _undo_text(slot, rack, store, out))
    return _label_code(done)


def _undo_text(slot: str, rack: Path, store: str, out: Path) -> str:
    """Return the command that undoes a handover; a store may be a URL with a password in it."""
    options = ["--rack", str(rack)] if rack != RACK else []
    options += ["--out", str(out)] if out != harness.RUNS else []
    options.append("--undo")
    words = ["harness", "handover"]
    words += [*options, "--", slot] if slot.startswith("-") else [slot, *options]
    same = ", with the same --store," if store != harness.STORE else ""
    return f"`{shlex.join(words)}`{same}"


def _label_code(done: harness.HandedOver) -> ExitCode:
    """Complain of a label that is not as it should be."""
    if not done.trouble:
        return ExitCode.ALL_PASS
    complain(f"harness: the board's label is out of date: {done.trouble}")
    return ExitCode.NOT_TESTED


def _refuse_with_undo(**options: object) -> None:
    for name, value in options.items():
        if value:
            option = "set" if name == "levels" else name
            raise typer.BadParameter(f"--{option} does not go with --undo")


def _levels(texts: list[str]) -> dict[str, str]:
    """Split ``NAME=VALUE``; a name that is given twice keeps the last value."""
    found = {}
    for text in texts:
        name, equals, value = text.partition("=")
        if not (name.strip() and equals and value.strip()):
            raise typer.BadParameter(f'--set "{text}": write NAME=VALUE, such as en=1')
        found[name.strip()] = value.strip()
    return found


def _say_done(screen: Screen, done: harness.HandedOver, undo: str) -> None:
    record = done.record
    screen.say(f"Board {record.board_serial} {harness_reports.wakes_text(record)}.")
    if record.program is None:
        screen.say("It had no main.py before.")
    else:
        screen.say(f"Its own main.py ({len(record.program):,} bytes) is kept in the store.")
    if done.label is not None:
        screen.say(
            f"Label for the board: {done.label}; a card that was made earlier does not say so."
        )
    screen.say(f"{undo} restores what was there.")
    if done.displaced is not None:
        earlier = done.displaced
        screen.say(
            f"Board {earlier.board_serial} was handed over before (slot {earlier.slot}, "
            f"{earlier.chip_serial}, {earlier.design}), but it no longer started that design: its "
            "main.py was replaced, or two boards have this serial number. Pages no longer show "
            "that handover; a board that still has it can be undone."
        )
    if done.boot:
        screen.say("It also has a boot.py, which was left alone and runs first.")
    screen.say(CAUTIONS)


def _say_undone(screen: Screen, done: harness.HandedOver) -> None:
    record = done.record
    if record.program is None:
        what = "has no main.py, as before"
    else:
        what = f"has its own main.py again ({len(record.program):,} bytes)"
    screen.say(f"Board {record.board_serial} {what}, and no longer starts {record.design}.")
    screen.say("Its label, or a card that says otherwise, no longer holds.")
