"""How tests start virtual racks: a fork of a process that has everything loaded and compiled.

``VirtualRack(specs, launch=forked)`` takes a few hundredths of a second where a process of its own
takes one or more. What runs is the same; a few tests start theirs the real way.
"""

from __future__ import annotations

import multiprocessing
import os
import subprocess
import sys
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.context import ForkContext, ForkServerContext
from multiprocessing.process import BaseProcess
from typing import IO

import pytest

FORKS = multiprocessing.get_context("forkserver")
FORKS.set_forkserver_preload(["__main__", "tests.warm"])


@dataclass(frozen=True)
class Forked:
    """A fork that serves boards; as :class:`harness.virtual.rack.BoardsProcess` describes."""

    process: BaseProcess
    stdin: IO[str]
    stdout: IO[str]

    def wait(self, timeout: float | None = None) -> int:
        """Wait for its end, and forget it."""
        self.process.join(timeout)
        code = self.process.exitcode
        if code is None:
            raise subprocess.TimeoutExpired("a fork", timeout or 0)
        self.process.close()
        return code

    def kill(self) -> None:
        """End it at once."""
        self.process.kill()


def forked(forks: ForkServerContext | ForkContext = FORKS) -> Forked:
    """Start a fork that serves boards. The fork server has one thread, also in its libraries."""
    asked, ask = forks.Pipe(duplex=False)
    answer, answered = forks.Pipe(duplex=False)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("OPENBLAS_NUM_THREADS", "1")
        process = forks.Process(target=_serve, args=(asked, answered, ask, answer))
        process.start()
    asked.close()
    answered.close()
    return Forked(process, _stream(ask, "w"), _stream(answer, "r"))


def _stream(end: Connection, mode: str) -> IO[str]:
    with end:
        return os.fdopen(os.dup(end.fileno()), mode, encoding="utf-8")


def _serve(asked: Connection, answered: Connection, *others: Connection) -> None:
    """Serve boards in the fork, with these ends as standard input and output."""
    from tests import warm  # noqa: PLC0415 - it is slow, and loaded in the fork server already

    for other in others:  # an end of a pipe that stays open here would never tell of its end
        other.close()
    for end, number in ((asked, 0), (answered, 1)):
        with end:
            os.dup2(end.fileno(), number)
    sys.stdin = os.fdopen(0, encoding="utf-8")
    sys.stdout = os.fdopen(1, "w", encoding="utf-8")
    sys.exit(warm.main())
