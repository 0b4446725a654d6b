"""Tells of faults of this program at the end of a command, so that somebody can report them."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from harness import tool_log
from harness.cli.screen import complain

NAME = "harness.log"


@contextmanager
def fault_log(folder: Path) -> Iterator[None]:
    """Keep tracebacks in a file of the folder of reports; says at the end that there are some."""
    try:
        with tool_log(folder / NAME) as log:
            yield
    finally:
        if log.lost:
            complain(f"harness: it failed itself; please report this, which {log.lost}")
        elif log.used:
            complain(f"harness: it failed itself; please report it, with what is in {log.path}")
