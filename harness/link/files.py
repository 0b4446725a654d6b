"""A board's file system, through the raw REPL; ``harness.agent.files`` is its other side.

One rule: a file is the old one or the new one, whenever power or link fail. Text from outside
reaches the board's interpreter only as JSON in a literal, with its CRC.
"""

from __future__ import annotations

import binascii
import json
import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from harness.agent.backends import text_of
from harness.errors import BoardMisbehaved, BoardSilent
from harness.link.upload import PIECE_TRIES, RawRepl

REQUEST_SECONDS = 20.0
"""Time for one request: to erase a block of flash takes up to 0.4 s, and a file has many."""
MAX_FILE = 64 * 1024
"""Maximum number of bytes of a file that is read or written: a board holds it in memory."""
UNREADABLE = (
    "the board's answers about its files make no sense; its interpreter may be changed or damaged: "
    "install MicroPython again"
)


@dataclass(frozen=True)
class FileRoom:
    """The space of a file system: bytes of a block, free blocks, and its type if known."""

    block: int
    free: int
    kind: str


Taken = TypeVar("Taken")


def _room(answer: Any) -> FileRoom:
    block, free, kind = answer
    if block < 1:
        raise ValueError(block)
    return FileRoom(int(block), int(free), str(kind))


def _entries(answer: Any) -> dict[str, bool]:
    return {str(name): bool(is_folder) for name, is_folder in answer}


def _part(answer: Any) -> tuple[bytes, int] | None:
    return None if answer is None else (binascii.a2b_base64(answer[0]), int(answer[1]))


class BoardFiles:
    """The files of a board in its current folder, the one that ``main.py`` is started in.

    Every method raises a LinkError if the link fails, and BoardMisbehaved with the board's own
    error if its file system refuses.
    """

    def __init__(self, repl: RawRepl) -> None:
        self._repl = repl
        repl.load(text_of("files"))

    def room(self) -> FileRoom:
        """Return the space that is left."""
        return self._ask(_room, "room")

    def entries(self, folder: str = "") -> dict[str, bool]:
        """Return the names in a folder, each with whether it is a folder itself."""
        return self._ask(_entries, "entries", folder)

    def read(self, name: str) -> bytes | None:
        """Read a file whole; None if there is none.

        Raises BoardMisbehaved for one of more than ``MAX_FILE`` bytes, or that does not come whole.
        """
        data = b""
        while (answer := self._ask(_part, "part", name, len(data))) is not None:
            part, size = answer
            if size > MAX_FILE:
                raise BoardMisbehaved(
                    f"{name} on the board has {size:,} bytes, and at most {MAX_FILE:,} are kept; "
                    "copy it yourself and remove it, then try again"
                )
            data += part
            if len(data) == size:
                return data
            if not part or len(data) > size:
                break
        else:
            if not data:
                return None
        raise BoardMisbehaved(f"{name} on the board changed while it was read; try again")

    def write(self, name: str, data: bytes) -> None:
        """Write a file, unless it has these bytes already."""
        self._repl.hold(data)
        if not self._ask(bool, "put", name, len(data), zlib.crc32(data)):
            raise BoardMisbehaved(
                f"{name} does not read back as it was written; the board's flash may be worn out"
            )

    def make_folder(self, name: str) -> None:
        """Make a folder if it is missing."""
        self._ask(bool, "make_folder", name)

    def remove(self, name: str) -> None:
        """Remove a file, or a folder with its files, if it is there."""
        self._ask(bool, "remove", name)

    def _ask(self, take: Callable[[Any], Taken], *request: object) -> Taken:
        """Make a request and take its answer; raise BoardMisbehaved if that makes no sense."""
        try:
            return take(json.loads(self._answer(request)))
        except (ValueError, TypeError, LookupError, ArithmeticError, RecursionError) as error:
            raise BoardMisbehaved(UNREADABLE) from error

    def _answer(self, request: Sequence[object]) -> str:
        """Make a request until its answer comes back undamaged."""
        text = json.dumps(request)
        statement = f"serve_request({text!r}, {zlib.crc32(text.encode())})".encode()
        lost: BoardMisbehaved | BoardSilent | None = None
        for _ in range(PIECE_TRIES):
            try:
                crc, _, answer = (
                    self._repl.execute(statement, REQUEST_SECONDS).strip().partition(" ")
                )
                if crc == str(zlib.crc32(answer.encode())):
                    return answer
            except BoardSilent as error:
                lost = error
                self._repl.reach_prompt()
            except BoardMisbehaved as error:
                if lost is not None and str(lost) == str(error):
                    raise
                lost = error
                self._repl.reach_prompt()
        raise lost or BoardMisbehaved(
            "the link corrupts data: the board's answers about its files came back damaged; "
            "check the cable and any hub between"
        )
