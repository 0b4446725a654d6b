"""Where every command writes: text of strangers is shown there and never obeyed.

One rule: nothing is printed by another way. Names, notes and messages come from files that
somebody else wrote; only this package adds colour and moves the cursor.
"""

from __future__ import annotations

import select
import sys
from collections.abc import Iterator
from contextlib import suppress
from io import BufferedWriter, FileIO, RawIOBase, TextIOWrapper
from typing import TYPE_CHECKING, BinaryIO, cast

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.text import Text

from harness.errors import printable

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer as Buffer


class Screen(Console):
    """A terminal that text from files of strangers cannot steer: no cursor, title or colour."""

    def say(self, text: str = "", end: str = "\n") -> None:
        """Write text as it is, on as many columns as it needs."""
        self.print(shown(text), soft_wrap=True, end=end)

    @property
    def attended(self) -> bool:
        """Whether a person answers."""
        return sys.stdin.isatty()

    def ask(self, prompt: str, hint: str) -> str:
        """Put a question; EOFError and KeyboardInterrupt when the person leaves."""
        self.say(f"{prompt} [{hint}]: ", end="")
        return self.input()

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterator[Segment]:
        """Give what is shown; characters that hide themselves are visible."""
        for text, style, control in super().render(renderable, options):
            yield Segment(text if control else printable(text), style, control)


def ready_streams() -> None:
    """Let no output end a command, with the exit code of a failing chip.

    Letters that a terminal or pipe lacks are written as escapes, typed ones too; an output that
    is closed or full ends the talking, not the measuring.
    """
    for name in ("stdin", "stdout", "stderr"):
        stream = getattr(sys, name)
        if isinstance(stream, TextIOWrapper):
            with suppress(ValueError):  # closed, or read from already
                stream.reconfigure(errors="backslashreplace")
                raw = getattr(stream.buffer, "raw", stream.buffer)  # itself where unbuffered
                if isinstance(raw, FileIO) and name != "stdin":
                    setattr(sys, name, _lasting(stream, raw))


def _lasting(stream: TextIOWrapper, raw: FileIO) -> TextIOWrapper:
    """Return a stream to the same place that can be written to whatever becomes of that place.

    One that keeps nothing back (python -u) still does not.
    """
    stream.flush()
    outlet = _Outlet(stream, raw)
    return TextIOWrapper(
        cast("BinaryIO", outlet) if stream.buffer is raw else BufferedWriter(outlet),
        encoding=stream.encoding,
        errors=stream.errors,
        line_buffering=stream.line_buffering,
        write_through=stream.write_through,
    )


class _Outlet(RawIOBase):
    """Writes to where a stream writes, until that refuses; from then on, to nowhere."""

    def __init__(self, stream: TextIOWrapper, raw: FileIO) -> None:
        self._stream = stream  # which would close the file if it were let go
        self._raw = raw
        self._refused = False

    def writable(self) -> bool:
        return True

    def isatty(self) -> bool:
        return self._stream.isatty()

    def fileno(self) -> int:
        return self._stream.fileno()

    def write(self, data: Buffer) -> int:
        """Take everything, in as many parts as the other side takes it."""
        rest = memoryview(data)
        while rest and not self._refused:
            try:
                written: int | None = self._raw.write(rest)
            except OSError:
                self._refused = True
                break
            if written is None:  # another program made it non-blocking
                select.select((), (self.fileno(),), ())
            else:
                rest = rest[written:]
        return memoryview(data).nbytes


def console() -> Screen:
    """Where results are printed."""
    return Screen(highlight=False, markup=False, emoji=False)


def complain(text: str) -> None:
    """Write an error, beside the results."""
    Screen(highlight=False, markup=False, emoji=False, stderr=True).say(text)


def shown(text: str, style: str = "") -> Text:
    """Text for a screen, as wide as it will stand there."""
    return Text(printable(text), style=style)
