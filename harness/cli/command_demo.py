"""``harness demo``: copy the demo into a folder and run its rack of virtual boards there."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

import harness
import harness_reports
from harness.cli.command_run import measured
from harness.cli.exit_code import ExitCode
from harness.cli.run_codes import exit_code
from harness.cli.screen import Screen, console

NEXT = """
Next, in {folder}:
  harness accept latest               makes this run the baseline of its rack
  harness nightly ci/demo-rack.toml   runs everything and reports what changed
  harness diagnose --chip SP2-0003    names suspects inside the design that fails there
  harness intake ci/demo-rack.toml    checks a tray of chips, step by step
  harness watch                       shows everything on a web page"""


def demo(
    folder: Annotated[
        Path, typer.Argument(help="Folder for the demo's files and reports; created if needed.")
    ] = Path("harness-demo"),
) -> ExitCode:
    """Copy the demo into a folder and run every table on its virtual boards.

    An existing file that differs is not overwritten. The rack has faults on purpose. Exit status:
    0 every chip got the expected verdict, 1 or 3 some chip did not, 2 the folder holds other files.
    """
    screen = console()
    copy = harness.copy_demo(folder)
    screen.say(
        f"Copied the demo's files into {folder}: vectors/, ci/wader.toml and ci/demo-rack.toml."
        if copy.written
        else f"The demo's files are already in {folder.absolute()}."
    )
    screen.say(f"\nRunning every table on every chip of the virtual rack {copy.rack} …\n")
    rack, runs = harness.load_rack(copy.rack), folder / "runs"
    record = measured(screen, rack, str(runs / "harness.sqlite"), runs)
    right = _compare(screen, rack, record)
    index = (runs / record.run_id / "index.html").absolute()
    missed = harness_reports.write_grades(harness.kept_grades(rack.shuttle), runs).absolute()
    screen.say(f"\nStart reading here: {index.as_uri()}")
    screen.say(f"What the tables would not notice: {missed.as_uri()}")
    screen.say(NEXT.format(folder=folder.absolute()))
    return ExitCode.ALL_PASS if right else exit_code(record) or ExitCode.CHIP_FAILED


def _compare(screen: Screen, rack: harness.Rack, record: harness.RunRecord) -> bool:
    """Print each chip's expected and actual verdict; return whether all agree."""
    verdicts = {chip.slot: chip.verdict for chip in record.chips}
    screen.say("\nThe demo rack has faults on purpose. Expected verdicts:")
    right = True
    for slot in rack.slots:
        wanted, why = harness.deserved(slot)
        got = verdicts.get(slot.name, "nothing")
        remark = "as expected" if got == wanted else f"UNEXPECTED: it got {got}"
        right = right and got == wanted
        screen.say(f"  {slot.name}  {slot.chip}  {wanted:<5}  {remark}; {why}")
    return right
