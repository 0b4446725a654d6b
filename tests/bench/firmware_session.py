"""A whole session of the tool, on MicroPython's own firmware on an emulated RP2040.

Run with ``python -m tests.bench.firmware_session FIRMWARE.uf2 [--backend NAME] [TABLE …]``. Attach,
upload, select, run tables against the virtual chip, by PIO and DMA unless another backend is named,
leave. The tool's clock goes slower by
``SLOWER``, because emulation does. The board times the phases of each run (``phases``). It ends
with 1 if a table that must pass does not, or if the agent had to make do with smaller blocks than
it wants.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING
from unittest.mock import patch

from tests.bench.phases import read_phases, taps
from tests.bench.targets import Target, conclude

if TYPE_CHECKING:
    from harness.board import Session
    from harness.table import Pattern

ROOT = Path(__file__).resolve().parents[2]
CLOCK_HZ = 1e6
SLOWER = 40
"""Seconds here for a second of the tool's patience."""
ROWS = 512
"""Rows of a block that must fit, as the exact pins module wants them."""
TABLES = ("bcd7seg/function", "lfsr/states")


def slow_down(clock: Callable[[], float]) -> Callable[[], float]:
    """Make a clock that goes slower by ``SLOWER``; no method where a class takes it over."""
    return partial(lambda: clock() / SLOWER)


def main() -> int:
    """Start the board, hold the session, stop the board."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("firmware")
    parser.add_argument("tables", nargs="*", default=TABLES)
    parser.add_argument("--backend", default="rp2")
    given = parser.parse_args()
    time.monotonic = slow_down(time.monotonic)
    command = [sys.executable, "-u", "-m", "tests.bench.emulated_board", given.firmware]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as board:
        assert board.stdout is not None
        try:
            return session(board.stdout.readline().strip(), given.backend, given.tables)
        finally:
            board.kill()


def session(url: str, backend: str, names: Sequence[str]) -> int:
    """Attach, run tables, leave; 1 if something was not as it must be."""
    from harness.agent.backends import texts  # noqa: PLC0415  slow clock
    from harness.board import load_profile, open_session  # noqa: PLC0415  slow clock
    from harness.board import session as module  # noqa: PLC0415  as above
    from harness.shuttle import load_shuttle  # noqa: PLC0415  as above
    from harness.table import load_table  # noqa: PLC0415  as above

    shuttle = load_shuttle(ROOT / "vectors" / "shuttle.toml")
    profile = replace(load_profile(ROOT / "ci" / "wader.toml", shuttle), backend=backend)
    began = time.perf_counter()
    with patch.object(module, "texts", lambda name: (*texts(name), taps(profile.about))):
        held = open_session(url, replace(profile, max_rate_hz=20_000_000), shuttle)
    rows = held._room.rows
    print(f"attached after {time.perf_counter() - began:.0f} s: {held.identity.interpreter}")
    found = [Target(f"blocks of {ROWS} rows fit", f"{rows}", rows >= ROWS)]
    for design in shuttle.designs:
        for table in design.tables:
            if f"{design.name}/{table.name}" in names:
                held.select(design)
                pattern = load_table(table, design, shuttle)
                found += run(held, f"{design.name}/{table.name}", pattern)
    held.close()
    return conclude(found)


def run(held: Session, name: str, pattern: Pattern) -> list[Target]:
    """Run a table as it is, then with one expected value the other way round."""
    from harness.agent.protocol import HELLO  # noqa: PLC0415  slow clock
    from harness.board import RunConditions  # noqa: PLC0415  as above

    conditions = RunConditions(clock_hz=CLOCK_HZ)
    good = held.run(pattern, conditions)
    print(f"\n{name}, {len(pattern)} vectors: cycles a vector")
    for line in read_phases(held._channel.call(HELLO)).lines(len(pattern)):
        print(line, flush=True)
    row = int(pattern.care.nonzero()[0][-1])
    care = int(pattern.care[row])
    wrong = pattern.expect.copy()
    wrong[row] ^= care & -care
    bad = held.run(replace(pattern, expect=wrong), conditions)
    text = f"{good.cycles} cycles at {good.achieved_hz:,.0f} Hz, {good.gaps} pauses, "
    places = sorted({mismatch.row for mismatch in bad.mismatches})
    return [
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


if __name__ == "__main__":
    sys.exit(main())
