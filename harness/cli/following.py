"""The line that names the next command, ready to be pasted.

One rule: it works in the folder in which the person stands.
"""

from __future__ import annotations

import os
import shlex
from pathlib import Path

from harness.cli.screen import Screen
from harness.errors import Location


def say_next(screen: Screen, shuttle: Path, *words: str) -> None:
    """Print ``Next: harness …``, with ``--shuttle`` unless the shuttle's folder is this one."""
    folder = Path(os.path.abspath(shuttle)).parent  # noqa: PTH100  asks no file system
    here = folder == Path.cwd()
    where = () if here else ("--shuttle", str(Location(folder)))
    screen.say(f"Next: {shlex.join(('harness', *words, *where))}")
