"""Power-cycling a hung board by a command from the rack file.

One rule: the command is a list of words, started without a shell, once, for a limited time; it
comes from the rack file that is being run and from nowhere else.
"""

from __future__ import annotations

import os
import re
import shlex
import signal
import subprocess
import tempfile
import time
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import dataclass
from typing import IO

from harness.errors import BoardSilent

TIMEOUT_S = 30.0
WAIT_S = 10.0
_TAIL = 4096
_NAME = re.compile(r"\{(\w+)\}")


@dataclass(frozen=True)
class PowerCycle:
    """The command, its time limit, and how long the port may take to come back, in s."""

    command: tuple[str, ...]
    timeout_s: float = TIMEOUT_S
    wait_s: float = WAIT_S


def cycle_power(cycle: PowerCycle, names: Mapping[str, str]) -> str:
    """Run the command with placeholders such as ``{port}`` replaced; returns what was done.

    Raises BoardSilent, with the command and the last line of its standard error, if it cannot be
    started, takes too long (then it is killed) or exits with a code other than 0.
    """
    words = [_filled(word, names) for word in cycle.command]
    shown = shlex.join(words)
    began = time.monotonic()
    with tempfile.TemporaryFile() as errors:
        try:
            process = subprocess.Popen(
                words,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=errors,
                start_new_session=True,  # a kill reaches its children, a Ctrl-C does not reach it
            )
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or str(error)
            raise _failed(shown, f"cannot be started ({why})") from error
        try:
            code = process.wait(cycle.timeout_s)
        except subprocess.TimeoutExpired as error:
            _kill(process)
            what = f"did not end within {cycle.timeout_s:g} s and was killed{_last_line(errors)}"
            raise _failed(shown, what) from error
        if code:
            raise _failed(shown, f"ended with {code}{_last_line(errors)}")
    return f"its power was cycled by `{shown}` in {time.monotonic() - began:.1f} s"


def _filled(word: str, names: Mapping[str, str]) -> str:
    """Fill in all names in one pass: a value that was filled in is not expanded again."""
    return _NAME.sub(lambda match: names.get(match[1], match[0]), word)


def _failed(shown: str, what: str) -> BoardSilent:
    return BoardSilent(f"its power could not be cycled: `{shown}` {what}")


def _kill(process: subprocess.Popen[bytes]) -> None:
    """End the command and all processes it started."""
    with suppress(OSError):
        if os.name == "posix":
            os.killpg(process.pid, signal.SIGKILL)
        else:
            process.kill()
    process.wait()


def _last_line(errors: IO[bytes]) -> str:
    """Return ``: `` and the last non-empty line, or an empty text."""
    size = errors.seek(0, os.SEEK_END)
    errors.seek(max(0, size - _TAIL))
    lines = errors.read().decode("utf-8", "replace").split("\n")
    last = next((line.strip() for line in reversed(lines) if line.strip()), "")
    return f": {last}" if last else ""
