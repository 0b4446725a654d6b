"""The process that serves virtual boards: ``python -m harness.virtual.server``.

Reads the specs as one line of JSON on standard input, answers with one line of JSON (the ports
by slot, or an error), and serves until standard input closes.
"""

from __future__ import annotations

import json
import signal
import sys

from harness.errors import HarnessError
from harness.virtual.board import VirtualBoard
from harness.virtual.spec import from_json


def main() -> int:
    """Serve until standard input closes."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        boards = [VirtualBoard(spec) for spec in from_json(sys.stdin.readline())]
    except HarnessError as error:
        _say({"error": str(error)})
        return 1
    for board in boards[:1]:
        board.warm_up()
    for board in boards:
        board.start()
    ports = {board.spec.slot: board.port for board in boards}
    _say({"ports": ports, "interpreter": boards[0].about if boards else ""})
    sys.stdin.read()
    for board in boards:
        board.stop()
    return 0


def _say(answer: dict[str, object]) -> None:
    sys.stdout.write(json.dumps(answer) + "\n")
    sys.stdout.flush()


if __name__ == "__main__":
    sys.exit(main())
