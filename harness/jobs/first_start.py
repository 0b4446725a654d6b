"""The synthesiser's first start on a computer, in which a person waits for a minute or two anyway.

One rule: what is begun here ends with the synthesis, whatever ends that.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager

from harness.netlist import FIRST_START, Progress

BOTH = f"{FIRST_START}; meanwhile, what evaluates gates is compiled too"
_PREPARE = "harness.virtual.prepare"


@contextmanager
def compiling_beside(progress: Progress) -> Iterator[Progress]:
    """Give a progress that compiles what evaluates gates, in another process, in a first start.

    So that the first rehearsal and the first run need not. What it has not compiled by the end
    they compile as they would have.
    """
    with ExitStack() as begun:

        def step(words: str) -> None:
            if words == FIRST_START:
                begun.enter_context(_preparing())
                words = BOTH
            progress(words)

        yield step


@contextmanager
def _preparing() -> Iterator[None]:
    quiet = subprocess.DEVNULL
    command = [sys.executable, "-P", "-m", _PREPARE]
    with subprocess.Popen(command, stdin=quiet, stdout=quiet, stderr=quiet) as process:
        try:
            yield
        finally:
            process.terminate()
