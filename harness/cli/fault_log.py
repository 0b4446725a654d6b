"""Where the traceback of a fault of this program goes, so that somebody can report it.

One rule: the file is there only if there is something in it.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from io import TextIOWrapper
from pathlib import Path

from harness.cli.screen import complain
from harness.rack import LOG

NAME = "harness.log"


class _File(logging.FileHandler):
    """Opens its file, and makes its folder, when the first traceback comes."""

    def _open(self) -> TextIOWrapper:
        Path(self.baseFilename).parent.mkdir(parents=True, exist_ok=True)
        return super()._open()


@contextmanager
def fault_log(folder: Path) -> Iterator[None]:
    """Keep tracebacks in a file of the folder of reports; says at the end that there are some."""
    path = folder / NAME
    handler = _File(path, delay=True, encoding="utf-8")
    handler.setFormatter(logging.Formatter("%(asctime)s  %(message)s"))
    LOG.addHandler(handler)
    try:
        yield
    finally:
        LOG.removeHandler(handler)
        used = handler.stream is not None
        handler.close()
        if used:
            complain(f"harness: it failed itself; please report it, with what is in {path}")
