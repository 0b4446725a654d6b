"""What an attack is: makes hostile inputs from random numbers, and judges what the tool did.

One rule: an input is bytes and nothing else, so that every one can be kept and tried again.
"""

from __future__ import annotations

import contextlib
import io
from collections.abc import Callable, Sequence
from pathlib import Path
from random import Random
from typing import Protocol

from harness.cli import main

REFUSED = "refused"
SAME = "accepted, same"
DIFFERENT = "accepted, different"


class Wrong(Exception):
    """The tool did what it must not: the text says what."""


class Attack(Protocol):
    """One kind of hostile input."""

    def make(self, random: Random) -> bytes:
        """Make an input."""
        ...

    def judge(self, case: bytes) -> str:
        """Hand an input to the tool; returns what came of it, in two or three words.

        Raises :class:`Wrong`, or lets through what the tool itself raised: both are findings.
        """
        ...


Prepare = Callable[[Path], Attack]
"""Makes an attack that works in an empty folder."""


def command(arguments: Sequence[str]) -> tuple[int, str]:
    """Run the tool's command in this process; its exit code and everything that it printed.

    Raises Wrong if it prints a traceback.
    """
    printed = io.StringIO()
    with contextlib.redirect_stdout(printed), contextlib.redirect_stderr(printed):
        code = main(arguments)
    if "Traceback (most recent call last)" in printed.getvalue():
        raise Wrong(f"a traceback is printed: {printed.getvalue()[-2000:]}")
    return code, printed.getvalue()
