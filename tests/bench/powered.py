"""An emulated board in a process of its own, for benchmarks that hold sessions with it.

The tool's clock is the processor time of emulation, which never rests, divided by how slow it is:
so the tool waits as long as it would for a board, however busy this computer is (Linux only). One
rule: import nothing of the tool at the top, which must see that clock first.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.board import BoardProfile
    from harness.shuttle import Shuttle

ROOT = Path(__file__).resolve().parents[2]
BACKENDS = ("generic", "sio", "rp2")
"""Those that this controller has, from the slowest on."""
EVERY_RUN = -1
"""In place of a run's number: a planted fault is there in all of them."""
FASTEST_HZ = 20e6
"""What no board profile may stand in the way of."""
SLOWER = 15
"""Seconds of emulation for a second of the tool's patience."""
CPU_CLOCK = 2
"""Linux: the clock of a process by its number n is ``~n << 3 | 2``."""


class _Clock:
    """The time of the boards that had power so far, one after the other."""

    def __init__(self) -> None:
        self._before = 0.0
        self._board: int | None = None

    def now(self) -> float:
        if self._board is None:
            return self._before
        return self._before + time.clock_gettime(self._board) / SLOWER

    @contextmanager
    def of(self, process: int) -> Iterator[None]:
        """Follow a process while it runs."""
        self._board = ~process << 3 | CPU_CLOCK
        try:
            yield
        finally:
            self._before, self._board = self.now(), None


_CLOCK = _Clock()


def follow_the_board() -> None:
    """Make the tool's clock that of emulation."""
    time.monotonic = _CLOCK.now


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
            with _CLOCK.of(process.pid):
                yield Board(process)
        finally:
            process.terminate()


def board_of(backend: str) -> tuple[BoardProfile, Shuttle]:
    """Return the demo board's profile with a backend, and the demo shuttle."""
    from harness.board import load_profile  # noqa: PLC0415  another clock first
    from harness.shuttle import load_shuttle  # noqa: PLC0415  as above

    shuttle = load_shuttle(ROOT / "vectors" / "shuttle.toml")
    profile = load_profile(ROOT / "ci" / "wader.toml", shuttle)
    return replace(profile, backend=backend, max_rate_hz=FASTEST_HZ), shuttle
