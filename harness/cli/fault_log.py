"""Where the traceback of a fault of this program goes, so that somebody can report it.

One rule: the file is there only if there is something in it. A fault that it cannot take is told
on the terminal.
"""

from __future__ import annotations

import logging
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from io import TextIOWrapper
from pathlib import Path

from harness.cli.screen import complain
from harness.door import open_to_append
from harness.errors import one_line
from harness.rack import LOG
from harness_reports import why_unwritable

NAME = "harness.log"


class _File(logging.FileHandler):
    """Opens its file, and makes its folder, when the first traceback comes."""

    lost = ""
    """The first fault that could not be written, and why; empty if there is none."""

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
        """Note what is lost: what the log cannot take costs the log, not the run."""
        refusal, fault = sys.exception(), (record.exc_info or (None, None))[1]
        why = why_unwritable(refusal) if isinstance(refusal, OSError) else repr(refusal)
        told = record.getMessage() if fault is None else f"{type(fault).__name__}: {fault}"
        self.lost = self.lost or one_line(f"cannot keep ({why}): {told}")


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
        if handler.lost:
            complain(f"harness: it failed itself; please report this, which {path} {handler.lost}")
        elif used:
            complain(f"harness: it failed itself; please report it, with what is in {path}")
