"""The log of a night, and of this program's own faults.

One rule: a log that cannot be written costs the log and nothing else.
"""

from __future__ import annotations

import logging
import threading
from collections.abc import Iterator
from contextlib import closing, contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import BinaryIO

from harness.door import open_to_append
from harness.errors import one_line
from harness.rack import LOG
from harness_reports import Scrubber, why_unwritable

_SCRUBBER = Scrubber()
"""Its folder may be shared: host paths and passwords are removed."""


@contextmanager
def tool_log(path: Path) -> Iterator[LogFile]:
    """Append what the tool logs to a file as well, inside this context."""
    with closing(LogFile(path)) as log:
        LOG.addHandler(log)
        try:
            yield log
        finally:
            LOG.removeHandler(log)


class LogFile(logging.Handler):
    """Appends lines with their time to a file, tracebacks too. Any thread may write.

    The file is created with its first line. ``lost`` is the first line that could not be written,
    and why; empty if there is none.
    """

    def __init__(self, path: Path) -> None:
        super().__init__()
        self.path = path
        self.lost = ""
        self._stream: BinaryIO | None = None
        self._writing = threading.Lock()

    @property
    def used(self) -> bool:
        """Whether anything was written."""
        return self._stream is not None

    def open(self) -> BinaryIO:
        """Open the file if it is not open yet; raises OSError."""
        self._stream = self._stream or open_to_append(self.path)
        return self._stream

    def close(self) -> None:
        """Close the file."""
        with suppress(OSError):  # closing writes again what a full disk refused
            if self._stream is not None:
                self._stream.close()
        super().close()

    def emit(self, record: logging.LogRecord) -> None:
        """Write what the tool logs, line by line."""
        fault = (record.exc_info or (None, None))[1]
        brief = record.getMessage() if fault is None else f"{type(fault).__name__}: {fault}"
        self._keep(self.format(record).splitlines(), brief)

    def write(self, text: str) -> None:
        """Write one line."""
        self._keep([" ".join(text.splitlines())], text)

    def _keep(self, lines: list[str], brief: str) -> None:
        now = datetime.now().astimezone().isoformat(timespec="seconds")
        text = "".join(f"{now}  {_SCRUBBER.text(line)}\n" for line in lines)
        with self._writing:
            try:
                stream = self.open()
                stream.write(text.encode("utf-8", "backslashreplace"))
                stream.flush()
            except OSError as error:
                why = why_unwritable(error)
                self.lost = self.lost or one_line(f"{self.path} cannot be written ({why}): {brief}")
