"""The output of every command: untrusted text is shown but cannot steer the terminal.

One rule: nothing is printed any other way. Names, notes and messages come from other people's
files; only this package adds colour and moves the cursor.
"""

from __future__ import annotations

import select
import sys
import textwrap
from collections.abc import Iterable, Iterator
from contextlib import suppress
from io import BufferedWriter, FileIO, RawIOBase, TextIOWrapper
from typing import TYPE_CHECKING, BinaryIO, cast

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.text import Text

from harness.errors import printable

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer as Buffer


_GLANCE = 0.2
"""Seconds after which a wait for a person looks whether Ctrl-C was pressed."""


class Screen(Console):
    """A terminal on which untrusted text cannot set cursor, title or colour."""

    def say(self, text: str = "", end: str = "\n") -> None:
        """Write text; on a terminal its lines end between words, elsewhere where they end."""
        lines = printable(text).split("\n")
        if self.is_terminal:
            lines = [part for line in lines for part in _wrapped(line, self.width)]
        self.print(Text("\n".join(lines)), soft_wrap=True, end=end)

    def say_each(self, texts: Iterable[object]) -> None:
        """Write some texts, each on a line of its own."""
        for text in texts:
            self.say(str(text))

    @property
    def attended(self) -> bool:
        """Whether a person answers."""
        return sys.stdin.isatty()

    def ask(self, prompt: str, hint: str) -> str:
        """Ask a question; raises EOFError or KeyboardInterrupt when the person leaves."""
        self.say(f"{prompt} [{hint}]:", end=" ")
        # Ctrl-C does not end a read that begins just after it, or that another thread's signal
        # handler overtook; the wait is short, so that Python looks for it again
        while self.attended and not select.select([sys.stdin], (), (), _GLANCE)[0]:
            pass
        return self.input()

    def render(
        self, renderable: RenderableType, options: ConsoleOptions | None = None
    ) -> Iterator[Segment]:
        """Render with hidden characters made visible."""
        for text, style, control in super().render(renderable, options):
            yield Segment(text if control else printable(text), style, control)


def _wrapped(line: str, width: int) -> list[str]:
    """Cut a line between words, each part as far in as it; a long word stays whole."""
    margin = line[: len(line) - len(line.lstrip(" "))]
    parts = textwrap.wrap(
        line,
        width,
        subsequent_indent=margin,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return parts or [line]


def ready_streams() -> None:
    """Keep output errors from ending a command with the exit code of a failing chip.

    Characters that a terminal or pipe lacks become escapes, typed ones too. If an output is closed
    or full, printing stops and measuring goes on.
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
    """Return a stream to the same file that accepts text even if the file fails.

    An unbuffered stream (python -u) stays unbuffered.
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
    """Writes to a stream's file until that fails; discards everything afterwards."""

    def __init__(self, stream: TextIOWrapper, raw: FileIO) -> None:
        self._stream = stream  # if it were garbage-collected, it would close the file
        self._raw = raw
        self._refused = False

    def writable(self) -> bool:
        return True

    def isatty(self) -> bool:
        return self._stream.isatty()

    def fileno(self) -> int:
        return self._stream.fileno()

    def write(self, data: Buffer) -> int:
        """Write everything, in as many parts as the file accepts."""
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
    """Return the screen for results."""
    return Screen(highlight=False, markup=False, emoji=False)


def error_console() -> Screen:
    """Return the screen for errors, and for progress where results go to a file."""
    return Screen(highlight=False, markup=False, emoji=False, stderr=True)


def complain(text: str) -> None:
    """Write an error to stderr."""
    error_console().say(text)


def shown(text: str, style: str = "") -> Text:
    """Return text for a screen, of the width that it will have there."""
    return Text(printable(text), style=style)
