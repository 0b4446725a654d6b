"""A whole session of the tool with exact pins, on MicroPython's own firmware on an emulated RP2040.

Run with ``python -m tests.bench.firmware_session FIRMWARE.uf2 [TABLE …]``. Attach, upload, select,
run tables by PIO and DMA against the virtual chip, leave. The tool's clock goes slower by
``SLOWER``, because emulation does. It ends with 1 if a table that must pass does not, or if the
agent had to make do with smaller blocks than it wants.
"""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

SLOWER = 40
"""Seconds here for a second of the tool's patience."""
ROWS = 512
"""Rows of a block that the exact pins module wants."""
TABLES = ("bcd7seg/function", "ctr163/sequence")


def slow_down(clock: Callable[[], float]) -> Callable[[], float]:
    """Make a clock that goes slower by ``SLOWER``; no method where a class takes it over."""
    return partial(lambda: clock() / SLOWER)


def main(arguments: Sequence[str]) -> int:
    """Start the board, hold the session, stop the board."""
    time.monotonic = slow_down(time.monotonic)
    command = [sys.executable, "-u", "-m", "tests.bench.emulated_board", arguments[0]]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as board:
        assert board.stdout is not None
        try:
            return session(board.stdout.readline().strip(), arguments[1:] or TABLES)
        finally:
            board.kill()


def session(url: str, names: Sequence[str]) -> int:
    """Attach, run tables, leave; 1 if something was not as it must be."""
    from harness.board import RunConditions, load_profile, open_session  # noqa: PLC0415  slow clock
    from harness.shuttle import load_shuttle  # noqa: PLC0415  as above
    from harness.table import load_table  # noqa: PLC0415  as above

    root = Path(__file__).resolve().parents[2]
    shuttle = load_shuttle(root / "vectors" / "shuttle.toml")
    profile = replace(load_profile(root / "ci" / "wader.toml", shuttle), backend="rp2")
    profile = replace(profile, max_rate_hz=20_000_000)
    began = time.perf_counter()
    held = open_session(url, profile, shuttle)
    print(f"attached after {time.perf_counter() - began:.0f} s: {held.identity}", flush=True)
    missed = held.identity.heap_free <= 0
    for design in shuttle.designs:
        for table in design.tables:
            if f"{design.name}/{table.name}" not in names:
                continue
            pattern = load_table(table, design, shuttle)
            held.select(design)
            began = time.perf_counter()
            capture = held.run(pattern, RunConditions(clock_hz=1e6))
            print(
                f"{design.name}/{table.name}: {capture.cycles} cycles at {capture.achieved_hz:,.0f}"
                f" Hz, {capture.mismatch_count} mismatches, {capture.gaps} pauses, "
                f"{capture.wire.sent} bytes out, {time.perf_counter() - began:.0f} s here",
                flush=True,
            )
            missed |= bool(capture.mismatch_count)
    held.close()
    return 1 if missed else 0


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit("give the path of a firmware image (.uf2)")
    sys.exit(main(sys.argv[1:]))
