"""A board that is handed over, on MicroPython's own firmware on an emulated RP2040 with its flash.

Run with ``python -m tests.bench.firmware_handover FIRMWARE.uf2 [BACKEND]``. A board with a program
of its own is handed over, its power goes off and comes back, its design runs; a table is run on
it, its design runs again; the handover is undone, and its program is back byte for byte. It ends
with 1 if something is not as it must be. The tool's clock is that of emulation.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from tests.bench.powered import FASTEST_HZ, ROOT, Board, follow_the_board, powered
from tests.bench.targets import Target, conclude

if TYPE_CHECKING:
    from harness.board import Session
    from harness.rack import Rack

OWN = b"print('own program')\n" * 40
RATE_HZ = 20_000
CLOCKED = 400
"""Edges of a clock that goes on: the table of the run has fewer after its end."""
WAIT_SECONDS = 20.0
"""Time of the board for its design to start."""


def shown(targets: list[Target]) -> list[Target]:
    """Print at once what takes so long."""
    for target in targets:
        print(target, flush=True)
    return targets


def main(arguments: Sequence[str]) -> int:
    """Hand over, power up, run, undo."""
    follow_the_board()
    firmware, backend = arguments[0], (*arguments[1:], "rp2")[0]
    found = []
    with tempfile.TemporaryDirectory() as folder:
        flash, store = Path(folder) / "flash.bin", Path(folder) / "store.sqlite"
        with powered(firmware, "--flash", str(flash)) as board:
            session = attached(board.port, backend)
            session.files().write("main.py", OWN)
            session.close()
            found += shown(handed(board, backend, store))
        with powered(firmware, "--flash", str(flash)) as board:
            found += shown([clocked(board, "the design runs after power-up")])
            found += shown(run_and_undo(board, backend, store))
        with powered(firmware, "--flash", str(flash)) as board:
            kept = attached(board.port, backend).files().read("main.py")
            found.append(Target("its program is there after power-up", "", kept == OWN))
    return conclude(found)


def clocked(board: Board, what: str) -> Target:
    """Wait until the clock goes on."""
    edges = clocked_on(board)
    return Target(what, f"{edges} edges", edges > CLOCKED)


def clocked_on(board: Board) -> int:
    """Wait until the clock goes on by itself; return the edges since."""
    before, end = board.edges(), board.seconds() + WAIT_SECONDS
    while board.edges() < before + CLOCKED and board.seconds() < end:
        time.sleep(1)
    return board.edges() - before


def attached(port: str, backend: str) -> Session:
    from harness.board import open_session  # noqa: PLC0415  another clock first

    one = rack(port, backend)
    return open_session(port, one.profile, one.shuttle)


def rack(port: str, backend: str) -> Rack:
    import harness  # noqa: PLC0415  another clock first

    one = harness.single_slot(
        port, "SP2-0001", "", ROOT / "vectors/shuttle.toml", ROOT / "ci/wader.toml"
    )
    return replace(one, profile=replace(one.profile, backend=backend, max_rate_hz=FASTEST_HZ))


def handed(board: Board, backend: str, store: Path) -> list[Target]:
    import harness  # noqa: PLC0415  another clock first

    began = time.perf_counter()
    levels = {"load_n": 1, "enp": 1, "ent": 1}
    done = harness.hand_over(
        rack(board.port, backend), "", "ctr163", RATE_HZ, levels, "a bench", store
    )
    seconds, record = time.perf_counter() - began, done.record
    edges = clocked_on(board)
    text = f"{seconds:.0f} s here, {record.achieved_hz:,.0f} Hz, {edges} edges"
    return [Target("handed over", text, record.program == OWN and edges > CLOCKED)]


def run_and_undo(board: Board, backend: str, store: Path) -> list[Target]:
    import harness  # noqa: PLC0415  another clock first

    began = time.perf_counter()
    session = attached(board.port, backend)
    seconds = time.perf_counter() - began
    session.close()
    found = [clocked(board, f"the design runs again after a session of {seconds:.0f} s here")]
    harness.take_back(rack(board.port, backend), "", store)
    session = attached(board.port, backend)
    found.append(Target("its program is back", "", session.files().read("main.py") == OWN))
    session.close()
    return found


if __name__ == "__main__":
    if len(sys.argv) < 2:
        sys.exit("give the path of a firmware image (.uf2)")
    sys.exit(main(sys.argv[1:]))
