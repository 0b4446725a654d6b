"""An emulated board in a process of its own, for benchmarks that hold sessions with it.

One rule: import nothing of the tool at the top: its clock must go slower first (``slow_down``).
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.board import BoardProfile
    from harness.shuttle import Shuttle

ROOT = Path(__file__).resolve().parents[2]
SLOWER = 40
"""Seconds here for a second of the tool's patience: emulation is slow."""
FASTEST_HZ = 20e6
"""What no board profile may stand in the way of."""


def slow_down() -> None:
    """Make the tool's clock go slower by ``SLOWER``; no method where a class takes it over."""
    clock = time.monotonic
    time.monotonic = partial(lambda: clock() / SLOWER)


class Board:
    """An emulated board that has power."""

    def __init__(self, process: subprocess.Popen[str]) -> None:
        self.process = process
        assert process.stdout is not None
        assert process.stdin is not None
        self.lines, self.orders = process.stdout, process.stdin
        self.port = self.lines.readline().strip()

    def edges(self) -> int:
        """Edges of the chip's pins since the power came on."""
        self.process.send_signal(signal.SIGUSR1)
        return int(self.lines.readline().split()[-2])

    def seconds(self) -> float:
        """Seconds of the board's own time since the power came on."""
        self.process.send_signal(signal.SIGUSR1)
        return float(self.lines.readline().split()[0])

    def plant(self, places: Iterable[tuple[int, int, int]]) -> int:
        """Plant faults (run, pulses, pins) in place of those before; return the runs since then."""
        print(json.dumps(list(places)), file=self.orders, flush=True)
        return int(self.lines.readline().split()[0])


@contextmanager
def powered(firmware: str, *options: str) -> Iterator[Board]:
    """Give a board power; ``options`` are those of ``emulated_board``."""
    command = [sys.executable, "-u", "-m", "tests.bench.emulated_board", firmware, *options]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as process:
        try:
            yield Board(process)
        finally:
            process.terminate()


def board_of(backend: str) -> tuple[BoardProfile, Shuttle]:
    """Return the demo board's profile with a backend, and the demo shuttle."""
    from dataclasses import replace  # noqa: PLC0415  beside what needs the slow clock

    from harness.board import load_profile  # noqa: PLC0415  slow clock
    from harness.shuttle import load_shuttle  # noqa: PLC0415  slow clock

    shuttle = load_shuttle(ROOT / "vectors" / "shuttle.toml")
    profile = load_profile(ROOT / "ci" / "wader.toml", shuttle)
    return replace(profile, backend=backend, max_rate_hz=FASTEST_HZ), shuttle
