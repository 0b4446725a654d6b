"""Where the traceback of a fault of this program goes, so that somebody can report it.

One rule: the file is there only if there is something in it.
"""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from io import TextIOWrapper
from pathlib import Path

from harness.cli.screen import complain
from harness.door import open_to_append
from harness.rack import LOG

NAME = "harness.log"


class _File(logging.FileHandler):
    """Opens its file, and makes its folder, when the first traceback comes."""

    def _open(self) -> TextIOWrapper:
        stream = open_to_append(Path(self.baseFilename))
        return TextIOWrapper(stream, "utf-8", "backslashreplace")

    def emit(self, record: logging.LogRecord) -> None:
        """Write one, if the file can be opened."""
        try:
            super().emit(record)
        except OSError:
            self.handleError(record)

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - as logging calls it
        """Say nothing: what the log cannot take costs the log, not the run."""


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
        with suppress(OSError):  # what a full disk did not take is written again here
            handler.close()
        if used:
            complain(f"harness: it failed itself; please report it, with what is in {path}")
