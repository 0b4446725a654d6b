"""Show the steps of a job that takes a while: one changing line on a terminal, else a line each.

One rule: the job calls one function with a few words when a step begins, and knows no screen.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager

from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

from harness.cli.screen import Screen


@contextmanager
def shown_steps(screen: Screen) -> Iterator[Callable[[str], None]]:
    """Show each step while it lasts; on a terminal with the seconds so far."""
    if not screen.is_terminal:
        yield lambda words: screen.say(f"{words} …")
        return
    text = TextColumn("{task.description}", markup=False)
    columns = (SpinnerColumn(), text, TimeElapsedColumn())
    with Progress(*columns, console=screen, transient=True) as progress:
        task = progress.add_task("starting")
        yield lambda words: progress.reset(task, description=words)
