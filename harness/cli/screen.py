"""Where every command writes: text of strangers is shown there and never obeyed.

One rule: nothing is printed by another way. Names, notes and messages come from files that
somebody else wrote; only this package adds colour and moves the cursor.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import suppress
from io import TextIOWrapper

from rich.console import Console, ConsoleOptions, RenderableType
from rich.segment import Segment
from rich.text import Text

from harness.errors import printable


class Screen(Console):
    """A terminal that text from files of strangers cannot steer: no cursor, title or colour."""

    def say(self, text: str = "", end: str = "\n") -> None:
        """Write text as it is, on as many columns as it needs."""
        self.print(shown(text), soft_wrap=True, end=end)

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


def write_out_letters() -> None:
    """Have letters that a terminal or pipe lacks written as escapes, typed ones too.

    Without this a letter in a message would end a command, with the exit code of a failing chip.
    """
    for stream in (sys.stdin, sys.stdout, sys.stderr):
        if isinstance(stream, TextIOWrapper):
            with suppress(ValueError):  # closed, or read from already
                stream.reconfigure(errors="backslashreplace")


def console() -> Screen:
    """Where results are printed."""
    return Screen(highlight=False, markup=False, emoji=False)


def complain(text: str) -> None:
    """Write an error, beside the results."""
    Screen(highlight=False, markup=False, emoji=False, stderr=True).say(text)


def shown(text: str, style: str = "") -> Text:
    """Text for a screen, as wide as it will stand there."""
    return Text(printable(text), style=style)
