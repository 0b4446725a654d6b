"""Point out faults of this program at the end of a command, so that they can be reported."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import harness
from harness.cli.screen import complain

NAME = "harness.log"


@contextmanager
def fault_log(folder: Path) -> Iterator[None]:
    """Keep tracebacks in a file in the folder of reports; say so at the end if there are any."""
    try:
        with harness.tool_log(folder / NAME) as log:
            yield
    finally:
        if log.lost:
            complain(f"harness: please report this fault of harness itself; {log.lost}")
        elif log.used:
            complain(f"harness: please report this fault of harness itself, with {log.path}")
