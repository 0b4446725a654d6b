"""A board's file system, through the raw REPL; ``harness.agent.files`` is its other side.

One rule: a file is the old one or the new one, whenever power or link fail. Text from outside
reaches the board's interpreter only as JSON in a literal, with its CRC.
"""

from __future__ import annotations

import binascii
import json
import zlib
from dataclasses import dataclass
from typing import Any

from harness.agent.backends import text_of
from harness.errors import BoardMisbehaved, BoardSilent
from harness.link.upload import PIECE_TRIES, RawRepl

REQUEST_SECONDS = 20.0
"""Time for one request: to erase a block of flash takes up to 0.4 s, and a file has many."""
MAX_FILE = 64 * 1024
"""Maximum number of bytes of a file that is read or written: a board holds it in memory."""


@dataclass(frozen=True)
class FileRoom:
    """The space of a file system: bytes of a block, free blocks, and its type if known."""

    block: int
    free: int
    kind: str


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
        block, free, kind = self._ask("room")
        return FileRoom(int(block), int(free), str(kind))

    def entries(self, folder: str = "") -> dict[str, bool]:
        """Return the names in a folder, each with whether it is a folder itself."""
        return {str(name): bool(is_folder) for name, is_folder in self._ask("entries", folder)}

    def read(self, name: str) -> bytes | None:
        """Read a file whole; None if there is none.

        Raises BoardMisbehaved for one of more than ``MAX_FILE`` bytes.
        """
        data = b""
        while (answer := self._ask("part", name, len(data))) is not None:
            part, size = binascii.a2b_base64(answer[0]), int(answer[1])
            if size > MAX_FILE:
                raise BoardMisbehaved(
                    f"{name} on the board has {size:,} bytes, and at most {MAX_FILE:,} are kept; "
                    "copy it yourself and remove it, then try again"
                )
            data += part
            if len(data) >= size or not part:
                return data
        return None

    def write(self, name: str, data: bytes) -> None:
        """Write a file, unless it has these bytes already."""
        self._repl.hold(data)
        if not self._ask("put", name, len(data), zlib.crc32(data)):
            raise BoardMisbehaved(
                f"{name} does not read back as it was written; the board's flash may be worn out"
            )

    def make_folder(self, name: str) -> None:
        """Make a folder if it is missing."""
        self._ask("make_folder", name)

    def remove(self, name: str) -> None:
        """Remove a file, or a folder with its files, if it is there."""
        self._ask("remove", name)

    def _ask(self, *request: object) -> Any:
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
                    return json.loads(answer)
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
