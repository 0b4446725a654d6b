"""What a board that works without a host has in its file system, and the order in which it changes.

One rule: what ``main.py`` needs is complete in a folder of its own before ``main.py`` changes, in
one step, and is removed only when ``main.py`` no longer names it. So power may fail at any moment.
"""

from __future__ import annotations

import hashlib
import json
import re
from base64 import b64encode
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from harness.agent.backends import Backend, stored_texts
from harness.errors import BoardMisbehaved
from harness.link import BoardFiles, Command

MAIN = "main.py"
"""The program that MicroPython starts after power-up and after a soft reset."""
DATA = "design.json"
STARTED = "The design is running."
"""What a handed-over board prints once it has started its design."""
NOT_ATOMIC = ("VfsFat", "FatFs")
"""File systems that rename over a file in two steps: power could fail between."""
FOLDER = re.compile(r"handover-[0-9a-f]{12}")
WRITTEN = re.compile(r"handover ([0-9a-f]{12}):.*\n.*(handover-[0-9a-f]{12})")
SPARE = 8
"""Blocks that stay free beyond the files: for folders, and for the file system's own moves."""

PROGRAM = """\
# Written by handover {key}: starts a design at power-up, from the files in this folder.
_at = {folder!r}
import json
with open(_at + "/{data}") as _file:
    _stored = json.load(_file)
for _name in _stored["modules"]:
    with open(_at + "/" + _name) as _file:
        exec(_file.read(), globals())
run_stored(Pins(), _stored)
"""


@dataclass(frozen=True)
class Startup:
    """The program ``main.py`` and the files in ``folder`` that start a design."""

    folder: str
    main: bytes
    files: Mapping[str, bytes]


def make_startup(about: Backend, commands: Iterable[Command], clock: Command, key: str) -> Startup:
    """Make what starts a design by a session's commands and then repeats the row in ``clock``.

    The folder is named after its content; ``key``, 12 hex digits, names the handover.
    """
    texts = {f"{name}.py": text.encode() for name, text in stored_texts(about).items()}
    stored = {
        "commands": [[one.kind, _base64(one.payload)] for one in commands],
        "clock": _base64(clock.payload),
        "modules": list(texts),
        "started": STARTED,
    }
    files = {**texts, DATA: json.dumps(stored).encode()}
    digest = hashlib.sha256(b"".join(files.values())).hexdigest()
    folder = f"handover-{digest[:12]}"
    return Startup(folder, PROGRAM.format(key=key, folder=folder, data=DATA).encode(), files)


def check_room(files: BoardFiles, startup: Startup) -> None:
    """Raise BoardMisbehaved if the board cannot take these files safely; writes nothing."""
    room = files.room()
    if room.kind in NOT_ATOMIC:
        raise BoardMisbehaved(
            f"the board's file system ({room.kind}) cannot replace {MAIN} in one step, so a power "
            "failure could leave none; format its flash as littlefs (VfsLfs2)"
        )
    sizes = [len(data) for data in (*startup.files.values(), startup.main)]
    needed = SPARE + sum(size // room.block + 1 for size in sizes)
    if room.free < needed:
        raise BoardMisbehaved(
            f"the board has no room: {needed} blocks of {room.block:,} bytes are needed, and "
            f"{room.free} are free; nothing was written. Remove files from the board"
        )


def put_startup(files: BoardFiles, startup: Startup, before: bytes | None) -> None:
    """Make a board start a design; ``before`` is the ``main.py`` that may come back later."""
    files.make_folder(startup.folder)
    for name, data in startup.files.items():
        files.write(f"{startup.folder}/{name}", data)
    files.write(MAIN, startup.main)
    sweep(files, startup.main, before)


def bring_back(files: BoardFiles, before: bytes | None) -> None:
    """Restore the ``main.py`` that was there before, None if there was none."""
    if before is None:
        files.remove(MAIN)
    else:
        files.write(MAIN, before)
    sweep(files, before)


def sweep(files: BoardFiles, *mains: bytes | None) -> None:
    """Remove what an interrupted handover left, and folders that none of these programs names."""
    needed = {named_folder(main) for main in mains}
    for name, is_folder in files.entries().items():
        left_over = is_folder and FOLDER.fullmatch(name) and name not in needed
        if left_over or name == f"{MAIN}.new":
            files.remove(name)


def named_folder(main: bytes | None) -> str:
    """Return the folder that a ``main.py`` starts a design from; "" for any other program."""
    return _written(main)[1]


def named_handover(main: bytes | None) -> str:
    """Return the key of the handover that wrote a ``main.py``; "" for any other program."""
    return _written(main)[0]


def _written(main: bytes | None) -> tuple[str, str]:
    match = WRITTEN.search((main or b"").decode("utf-8", "replace"))
    if match is None or main != PROGRAM.format(key=match[1], folder=match[2], data=DATA).encode():
        return "", ""
    return match[1], match[2]


def _base64(payload: bytes) -> str:
    return b64encode(payload).decode()
