"""A whole session of the tool, on MicroPython's own firmware on an emulated RP2040.

Run with ``python -m tests.bench.firmware_session FIRMWARE.uf2 [TABLE …] [--backend NAME]``. Attach,
upload, select, run tables against the virtual chip, leave: by PIO and DMA unless another backend is
named, or with ``--backend all`` by each, side by side. The tool's clock is that of
emulation. The board times the phases of each run (``phases``). It ends with 1 if a table that
must pass does not, or if the agent had to make do with smaller blocks than it wants.
"""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING
from unittest.mock import patch

from tests.bench.phases import read_phases, taps
from tests.bench.powered import BACKENDS, Board, board_of, follow_the_board, powered
from tests.bench.targets import Target, conclude

if TYPE_CHECKING:
    from harness.agent.backends import Backend
    from harness.board import Session
    from harness.table import Pattern

CLOCK_HZ = 1e6
ROWS = 1024
"""Rows of a block that must fit, as the exact pins module wants them."""
ATTACH_SECONDS = 0.7
TABLES = ("bcd7seg/function", "lfsr/states")
DIFFERENCES = """
What this emulator does not have, so that a board may differ from these figures:
  - flash that keeps the processor waiting: a board is rather slower
  - an input synchroniser, and an answer that takes time: no sample point is judged here
  - more than one PIO instruction in the time of a processor's: nor is that of a looped program
  - latency and contention of the DMA, the second core, another clock than 125 MHz
  - a USB host that asks again at once: empty packets are held back here (quiet_usb)
Timing the phases costs some cycles too (tests/bench/phases.py).
"""


@dataclass(frozen=True)
class Measured:
    """What one backend came to: figures by name, and targets."""

    figures: Mapping[str, float]
    targets: Sequence[Target]


def main() -> int:
    """Hold a session with each backend, on a board of its own; print what they come to."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("firmware")
    parser.add_argument("tables", nargs="*", default=TABLES)
    parser.add_argument("--backend", default="rp2", choices=[*BACKENDS, "all"])
    given = parser.parse_args()
    follow_the_board()
    names = BACKENDS if given.backend == "all" else (given.backend,)
    found = {}
    for name in names:
        print(f"\n== {name}")
        with powered(given.firmware) as board:
            found[name] = session(board, name, given.tables)
    print_side_by_side({name: measured.figures for name, measured in found.items()})
    print(DIFFERENCES)
    return conclude([target for measured in found.values() for target in measured.targets])


def print_side_by_side(figures: Mapping[str, Mapping[str, float]]) -> None:
    """Print one line for each figure, one column for each backend."""
    print("\n" + " " * 46 + "".join(f"{name:>12}" for name in figures))
    for what in dict.fromkeys(what for one in figures.values() for what in one):
        cells = (one.get(what) for one in figures.values())
        texts = ("" if cell is None else f"{cell:,.{2 * (cell < 100)}f}" for cell in cells)
        print(f"{what:46}" + "".join(f"{text:>12}" for text in texts))


def session(board: Board, backend: str, names: Sequence[str]) -> Measured:
    """Attach, run tables, leave."""
    from harness.agent import compiled  # noqa: PLC0415  another clock first
    from harness.agent.backends import texts  # noqa: PLC0415  as above
    from harness.board import open_session  # noqa: PLC0415  as above
    from harness.board import session as module  # noqa: PLC0415  as above
    from harness.table import load_table  # noqa: PLC0415  as above

    profile, shuttle = board_of(backend)
    began = time.perf_counter()

    def tapped(about: Backend) -> tuple[str, ...]:
        return (*texts(about), taps(about))

    with patch.object(module, "texts", tapped), patch.object(compiled, "texts", tapped):
        held = open_session(board.port, profile, shuttle)
    rows, seconds = held._room.rows, board.seconds()
    here = time.perf_counter() - began
    print(f"attached after {seconds:.2f} s ({here:.0f} s here): {held.identity.interpreter}")
    figures = {"seconds from power-up until it is attached": seconds}
    found = [
        Target(f"{backend}: blocks of {ROWS} rows fit", f"{rows}", rows >= ROWS),
        Target(
            f"{backend}: attached within {ATTACH_SECONDS} s of its power-up",
            f"{seconds:.2f} s",
            seconds <= ATTACH_SECONDS,
        ),
    ]
    for design in shuttle.designs:
        for table in design.tables:
            name = f"{design.name}/{table.name}"
            if name in names:
                held.select(design)
                pattern = load_table(table, design, shuttle)
                measured = run(held, f"{backend}, {name}", pattern)
                figures |= {f"{name}, {what}": one for what, one in measured.figures.items()}
                found += measured.targets
    held.close()
    return Measured(figures, found)


def run(held: Session, name: str, pattern: Pattern) -> Measured:
    """Run a table as it is, then with one expected value the other way round."""
    from harness.agent.protocol import HELLO  # noqa: PLC0415  another clock first
    from harness.board import RunConditions  # noqa: PLC0415  as above

    conditions = RunConditions(clock_hz=CLOCK_HZ)
    good = held.run(pattern, conditions)
    phases = read_phases(held._channel.call(HELLO))
    print(f"\n{name}, {len(pattern)} vectors: cycles a vector")
    for line in phases.lines(len(pattern)):
        print(line, flush=True)
    row = int(pattern.care.nonzero()[0][-1])
    care = int(pattern.care[row])
    wrong = pattern.expect.copy()
    wrong[row] ^= care & -care
    bad = held.run(replace(pattern, expect=wrong), conditions)
    text = f"{good.cycles} cycles at {good.achieved_hz:,.0f} Hz, {good.gaps} pauses, "
    places = sorted({mismatch.row for mismatch in bad.mismatches})
    figures = {
        "vectors a second": len(pattern) * 1e6 / phases.run,
        "bytes a vector, to the board": good.wire.sent / len(pattern),
        "bytes a vector, from it": good.wire.received / len(pattern),
        **{f"cycles: {what}": one for what, one in phases.cycles(len(pattern)).items()},
    }
    targets = [
        Target(
            f"{name} passes",
            f"{text}{good.mismatch_count} mismatches",
            good.exact == held.identity.exact and not good.mismatch_count,
        ),
        Target(
            f"{name}: a wrong value in row {row} is found",
            str(places),
            places == [row],
        ),
    ]
    return Measured(figures, targets)


if __name__ == "__main__":
    sys.exit(main())
