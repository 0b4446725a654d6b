"""The process that serves virtual boards: ``python -m harness.virtual.server``.

Reads the specs as one line of JSON on standard input, answers with one line of JSON (ports and
power switches by slot, the supply's port, or an error) when every board is up, and serves until
standard input closes.
"""

from __future__ import annotations

import json
import os
import select
import signal
import sys
import threading
from collections.abc import Mapping, Sequence

from harness.errors import HarnessError
from harness.virtual.board import VirtualBoard
from harness.virtual.spec import SEAT, from_json
from harness.virtual.speed import relative_speed
from harness.virtual.supply import VirtualSupply


def main() -> int:
    """Serve until standard input closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    wanted = sys.stdin.readline()
    if not wanted.endswith("\n"):
        return 0  # whoever began to ask is gone
    try:
        specs, nominal = from_json(wanted)
        boards = [VirtualBoard(spec) for spec in specs]
    except HarnessError as error:
        _say({"error": str(error)})
        return 1
    for board in boards[:1]:
        board.warm_up()
    for board in boards:
        board.start()
    for board in boards:
        board.wait_until_up()
    by_switch = {os.open(board.switch, os.O_RDWR): board for board in boards}
    threading.Thread(target=_watch_switches, args=(by_switch,), daemon=True).start()
    ports = {board.spec.slot: board.port for board in boards}
    switches = {board.spec.slot: str(board.switch) for board in boards}
    supply = _supply(boards, nominal) if nominal is not None else ""
    about = boards[0].about if boards else ""
    _say({"ports": ports, "switches": switches, "supply": supply, "interpreter": about})
    sys.stdin.read()
    for board in boards:
        board.stop()
    return 0


def _supply(boards: Sequence[VirtualBoard], nominal: float) -> str:
    """Start a virtual supply that feeds every board's chip; gives its port."""

    def terminals(volts: float) -> None:
        for board in boards:
            board.set_speed(relative_speed(volts, nominal))

    supply = VirtualSupply(nominal, terminals)
    supply.start()
    return supply.port


def _watch_switches(by_switch: Mapping[int, VirtualBoard]) -> None:
    """Cycle a board's power whenever something is written to its switch."""
    while by_switch:
        pressed, _, _ = select.select(list(by_switch), [], [])
        for switch in pressed:
            board = by_switch[switch]
            press = board.seat_chip if os.read(switch, 4096) == SEAT else board.cycle_power
            press()


def _say(answer: dict[str, object]) -> None:
    """Answer; if the reader is gone, standard input is closed too, which ends the process."""
    try:
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())  # for the flush at the end


if __name__ == "__main__":
    sys.exit(main())
