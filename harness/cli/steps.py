"""Show the steps of a job that takes a while: one changing line on a terminal, else a line each.

One rule: the job calls one function when a step begins, with a few words and with the part that is
done if it knows it, and knows no screen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

from harness.cli.screen import Screen


class Steps:
    """The steps of one job: on a terminal with the part that is done, or the seconds so far.

    Elsewhere a step whose part is known is not shown: it is one of many calls.
    """

    def __init__(self, screen: Screen) -> None:
        self._screen = screen
        text = TextColumn("{task.description}", markup=False)
        columns = (SpinnerColumn(), text, TimeElapsedColumn())
        hidden = not screen.is_terminal
        self.line = Progress(*columns, console=screen, transient=True, disable=hidden)
        self._task = self.line.add_task("starting")
        self._words = ""

    def __call__(self, words: str, part: float | None = None) -> None:
        """Show a step; ``part`` is 0 to 1."""
        if self.line.disable and part is None:
            self._screen.say(f"{words} …")
        if words != self._words:
            self._words = words
            self.line.reset(self._task)
        share = "" if part is None else f" {part:.0%}"
        self.line.update(self._task, description=f"{words}{share}")

    def aside(self, ask: Callable[[], bool]) -> bool:
        """Ask a question while no step is shown."""
        self.line.stop()
        answer = ask()
        self.line.start()
        return answer


@contextmanager
def shown_steps(screen: Screen) -> Iterator[Steps]:
    """Show each step of a job while it lasts."""
    steps = Steps(screen)
    with steps.line:
        yield steps
