"""The line that names the next command, ready to be pasted.

One rule: it works in the folder in which the person stands.
"""

from __future__ import annotations

import shlex
from pathlib import Path

from harness.cli.screen import Screen
from harness.errors import shuttle_words


def say_next(screen: Screen, shuttle: Path, *words: str) -> None:
    """Print ``Next: harness …``, with ``--shuttle`` unless the shuttle's folder is this one."""
    command = ("harness", *words, *shuttle_words(shuttle.parent))
    screen.say(f"Next: {shlex.join(command)}")
