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
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING
from unittest.mock import patch

import numpy as np

from tests.bench.phases import CLOCK, CYCLES_A_US, read_phases, taps
from tests.bench.powered import BACKENDS, Board, board_of, follow_the_board, powered
from tests.bench.targets import Target, conclude

if TYPE_CHECKING:
    from harness.agent.backends import Backend
    from harness.board import Session
    from harness.shuttle import Shuttle
    from harness.table import Pattern

CLOCK_HZ = 4e6
ROWS = {"generic": 512, "sio": 512, "rp2": 1024}
"""Rows of a block that must fit."""
ATTACH_SECONDS = 0.7
RANDOM = "secded/exhaustive"
"""All values of nine inputs, nine outputs tested: drawn at random, no coder makes them small."""
TABLES = ("lfsr/states", RANDOM)
SHORT, LONG = 200, 4096
"""Vectors of a run, of which a short one costs what every run does. A third one is three times as
long: what it takes more than the long one is what a vector costs in the steady state."""
MOST = {"lfsr/states": (100_000, 600), RANDOM: (55_000, 1_900)}
"""For ``rp2``: vectors a second of a long run, and cycles of software for each in the steady
state."""
LEAST = {("generic", "lfsr/states"): 4_000, ("sio", "lfsr/states"): 60_000}
"""Vectors a second of the others."""
SHORT_MS = 9.0
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

    figures: dict[str, float]
    targets: list[Target]


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
            if name == "rp2":
                more = lengths(board, given.tables)
                found[name].figures.update(more.figures)
                found[name].targets.extend(more.targets)
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


def opened(board: Board, backend: str, timers: Callable[[Backend], str]) -> tuple[Session, Shuttle]:
    """Attach to a board, and have its agent timed."""
    from harness.agent import compiled  # noqa: PLC0415  another clock first
    from harness.agent.backends import texts  # noqa: PLC0415  as above
    from harness.board import open_session  # noqa: PLC0415  as above
    from harness.board import session as module  # noqa: PLC0415  as above

    def timed(about: Backend) -> tuple[str, ...]:
        return (*texts(about), timers(about))

    profile, shuttle = board_of(backend)
    compiled.compile_agent.cache_clear()
    with patch.object(module, "texts", timed), patch.object(compiled, "texts", timed):
        return open_session(board.port, profile, shuttle), shuttle


def session(board: Board, backend: str, names: Sequence[str]) -> Measured:
    """Attach, run tables, leave."""
    began = time.perf_counter()
    held, shuttle = opened(board, backend, taps)
    rows, seconds = held._room.rows, board.seconds()
    here = time.perf_counter() - began
    print(f"attached after {seconds:.2f} s ({here:.0f} s here): {held.identity.interpreter}")
    figures = {"seconds from power-up until it is attached": seconds}
    found = [
        Target(f"{backend}: blocks of {ROWS[backend]} rows fit", f"{rows}", rows >= ROWS[backend]),
        Target(
            f"{backend}: attached within {ATTACH_SECONDS} s of its power-up",
            f"{seconds:.2f} s",
            seconds <= ATTACH_SECONDS,
        ),
    ]
    for name, pattern in patterns(held, shuttle, names):
        measured = run(held, f"{backend}, {name}", pattern)
        figures |= {f"{name}, {what}": one for what, one in measured.figures.items()}
        found += measured.targets
        least = MOST[name][0] if backend == "rp2" and name in MOST else LEAST.get((backend, name))
        if least:
            found.append(fast(f"{backend}, {name}", measured, least))
    held.close()
    return Measured(figures, found)


def patterns(
    held: Session, shuttle: Shuttle, names: Sequence[str]
) -> Iterator[tuple[str, Pattern]]:
    """Select the designs of these tables in turn; give each table, or rows of it at random."""
    from harness.table import load_table  # noqa: PLC0415  another clock first
    from tests.bench.patterns import picked  # noqa: PLC0415  as above

    for design in shuttle.designs:
        for table in design.tables:
            name = f"{design.name}/{table.name}"
            if name in names:
                held.select(design)
                pattern = load_table(table, design, shuttle)
                if name == RANDOM:
                    rows = np.random.default_rng(1).integers(0, len(pattern), LONG)
                    pattern = picked(pattern, rows)
                yield name, pattern


def fast(name: str, measured: Measured, least: float) -> Target:
    """Whether a long run is as fast as it must be."""
    found = measured.figures["vectors a second"]
    return Target(f"{name}: at least {least:,} vectors a second", f"{found:,.0f}", found >= least)


def lengths(board: Board, names: Sequence[str]) -> Measured:
    """Run fewer vectors, and more, with no phase timed: what a run costs, and a vector more."""
    from harness.agent.protocol import HELLO  # noqa: PLC0415  another clock first
    from harness.board import RunConditions  # noqa: PLC0415  as above
    from tests.bench.patterns import again, cut  # noqa: PLC0415  as above

    held, shuttle = opened(board, "rp2", lambda _: CLOCK)

    def milliseconds(pattern: Pattern) -> float:
        held.run(pattern, RunConditions(clock_hz=CLOCK_HZ))
        return read_phases(held._channel.call(HELLO)).run / 1000

    found: dict[str, float] = {}
    targets: list[Target] = []
    for name, pattern in patterns(held, shuttle, [name for name in names if name in MOST]):
        short = milliseconds(cut(pattern, SHORT))
        more = milliseconds(again(pattern, 3 * LONG)) - milliseconds(again(pattern, LONG))
        cycles = more * CYCLES_A_US * 1000 / (2 * LONG) - CYCLES_A_US * 1e6 / CLOCK_HZ
        most = MOST[name][1]
        found[f"{name}, a run of {SHORT} vectors, ms"] = short
        found[f"{name}, software for a vector more, cycles"] = cycles
        targets += [
            Target(
                f"{name}: a run of {SHORT} vectors within {SHORT_MS} ms",
                f"{short:.1f} ms",
                short <= SHORT_MS,
            ),
            Target(
                f"{name}: at most {most:,} cycles of software for a vector more",
                f"{cycles:,.0f}",
                cycles <= most,
            ),
        ]
    held.close()
    return Measured(found, targets)


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
