"""Starts the interpreter of a virtual board in a process with hardly more than a board has.

A script that is run by its path and imports nothing of ours before it must, because it runs again
after each soft reset. Its process was given an empty environment, an empty folder and, as standard
input, the socket of the board's pins.
"""

import importlib.util
import os
import resource
import signal
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

CHIP = 3
"""The descriptor of the pins' socket, and the last one that the process has."""
LIMITS = {
    "AS": 512 << 20,  # CPython needs some 20 MB, MicroPython with the largest heap less
    "CORE": 0,
    "CPU": 24 * 3600,  # a whole night and day of nothing but computing; it mostly waits
    "FSIZE": 0,
    "NOFILE": CHIP + 1,  # not one more: no file, no socket, no pipe
    "NPROC": 0,
}
"""Limits of the process by their POSIX names, as far as the platform has them."""
PIECE = 200
"""MicroPython keeps its arguments as names, which have at most 255 bytes."""
NOBODY = 65534
"""User and group that own nothing. The limit of processes holds for everybody but root."""


def main() -> int:
    """Run a board's program, then its prompt, until its soft reset."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    kind, where, heap, program, serial, terminal = sys.argv[1:]
    take_terminal(terminal)
    if kind == "stand-in":
        beside = Path(__file__)
        cpython = load(beside.parents[1] / "agent" / "cpython.py")
        load(beside.with_name("stand_in.py")).main(program, serial, CHIP, confine, cpython)
        return 0
    sys.path.insert(0, where)
    run = importlib.import_module("micropython_run").run_main
    confine()
    pieces = [serial[at : at + PIECE] for at in range(0, len(serial), PIECE)]
    return int(run(["micropython", "-X", f"heapsize={heap}", "-c", program, *pieces]))


def load(path: Path) -> Any:
    """Load a module by its path: its package needs libraries that are not available here."""
    spec = importlib.util.spec_from_file_location(path.stem, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def take_terminal(name: str) -> None:
    """Make a terminal the standard input and output, and keep the pins.

    Opened by name in a new session, it becomes the controlling one: Ctrl-C works.
    """
    os.dup2(0, CHIP)
    opened = os.open(name, os.O_RDWR)
    for standard in range(3):
        os.dup2(opened, standard)
    os.close(opened)


def confine() -> None:
    """Drop privileges that a board does not need; what is already open stays open."""
    if os.geteuid() == 0:
        with suppress(OSError):  # where this user cannot become another, as in some containers
            os.setgroups([])
            os.setgid(NOBODY)
            os.setuid(NOBODY)
    for name, most in LIMITS.items():
        with suppress(AttributeError, OSError, ValueError):
            resource.setrlimit(getattr(resource, f"RLIMIT_{name}"), (most, most))


if __name__ == "__main__":
    sys.exit(main())
