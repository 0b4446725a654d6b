"""The journal of an intake: one JSON line for each answer, on the disk before the next question.

One rule: a line that ends in a newline is true; a last line without one was cut short by a crash
and never counted as answered, so it is dropped.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any, cast

from harness.door import MAX_RECORD_BYTES, is_there, open_to_append, read_file
from harness.errors import FileUnusable, StoreError
from harness.intake.progress import (
    Event,
    Halted,
    Lost,
    Measured,
    Replied,
    Signed,
    TakenUp,
    Worked,
)
from harness.records import decode, encode

FORMAT = "harness-intake"
VERSION = 3
_KINDS = {
    "reply": Replied,
    "work": Worked,
    "measure": Measured,
    "lost": Lost,
    "halt": Halted,
    "taken": TakenUp,
    "signed": Signed,
}
MOVE_AWAY = "move it away, and begin again"
_NAMES = {kind: name for name, kind in _KINDS.items()}


@dataclass(frozen=True)
class FileSum:
    """A file by its name, and its SHA-256."""

    name: str
    sha256: str


@dataclass(frozen=True)
class JournalHeading:
    """What a journal is about.

    ``rack`` tells the rack file, ``slots`` the slots asked for (none for all), ``files`` what the
    intake is made with.
    """

    run: str
    rack: str
    slots: tuple[str, ...]
    by: str
    began: str
    files: tuple[FileSum, ...]

    @property
    def sums(self) -> dict[str, str]:
        """The SHA-256 of each file by its name."""
        return {file.name: file.sha256 for file in self.files}


class Journal:
    """A file of events, slot by slot. Raises StoreError where it cannot be kept or read.

    Reading changes nothing, for the file may be another process's; whoever writes has locked the
    intake.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        data = _data(path)
        self._end = data.rfind(b"\n") + 1
        self._torn = len(data) > self._end
        self._lines = _objects(path, data[: self._end])

    @classmethod
    def begin(cls, path: Path, heading: JournalHeading) -> Journal:
        """Start a journal."""
        journal = cls(path)
        head = cast("dict[str, Any]", encode(heading))
        journal._append({"format": FORMAT, "version": VERSION, **head})
        _settle(path.parent)
        return journal

    @property
    def ours(self) -> bool:
        """Whether this tool, in this version, wrote the first line."""
        head = self._lines[0] if self._lines else {}
        return head.get("format") == FORMAT and head.get("version") == VERSION

    @property
    def head(self) -> JournalHeading:
        """The first line. Raises StoreError if it is none of ours."""
        head = self._lines[0] if self.ours else {}
        body = {key: value for key, value in head.items() if key not in {"format", "version"}}
        try:
            return decode(JournalHeading, body if head else None, FORMAT)
        except (KeyError, TypeError, ValueError) as reason:
            message = f"{self.path}: not the journal of an intake; {MOVE_AWAY}"
            raise StoreError(message) from reason

    @property
    def last_by(self) -> str:
        """Who answered last; who began, if nobody answered yet."""
        signed = [line for line in self._lines if line.get("kind") == _NAMES[Signed]]
        event = self._event(signed[-1]) if signed else None
        return event.by if isinstance(event, Signed) else self.head.by

    def events(self, slot: str) -> Iterator[Event]:
        """Everything that happened in one slot, in order."""
        for line in self._lines[1:]:
            if line.get("slot") == slot:
                yield self._event(line)

    def _event(self, line: dict[str, Any]) -> Event:
        body = {key: value for key, value in line.items() if key not in {"slot", "kind"}}
        try:
            return decode(_KINDS[line["kind"]], body, line["kind"])
        except (KeyError, TypeError, ValueError) as reason:
            message = f"{self.path}: a line of the journal cannot be used: {reason}"
            raise StoreError(message) from reason

    def record(self, slot: str, event: Event) -> None:
        """Keep an event; on the disk when this returns."""
        body = cast("dict[str, Any]", encode(event))
        self._append({"slot": slot, "kind": _NAMES[type(event)], **body})

    def finish(self) -> None:
        """Note that nobody goes on with this: every slot has its card, or it was given up."""
        self._append({"kind": "end"})

    @property
    def finished(self) -> bool:
        """Whether nobody goes on with this."""
        return any(line.get("kind") == "end" for line in self._lines)

    @property
    def begun(self) -> bool:
        """Whether anything was kept; what broke off before its first line never was an intake."""
        return bool(self._lines)

    def _append(self, line: dict[str, Any]) -> None:
        data = json.dumps(line, ensure_ascii=True).encode("ascii") + b"\n"
        try:
            with open_to_append(self.path) as stream:
                if self._torn:
                    stream.truncate(self._end)
                    self._torn = False
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
        except OSError as reason:
            why = reason.strerror or str(reason)
            advice = "see to that, and the same command goes on"
            message = f"{self.path}: the answer cannot be kept: {why}; {advice}"
            raise StoreError(message) from reason
        self._lines.append(line)


def _object(line: bytes) -> dict[str, Any]:
    found = json.loads(line)
    if not isinstance(found, dict):
        raise ValueError("a line of it is no object")  # noqa: TRY004 - as what json raises
    return found


def _data(path: Path) -> bytes:
    if not is_there(path):
        return b""
    try:
        return read_file(path, MAX_RECORD_BYTES)
    except FileUnusable as error:
        message = f"{path}: the journal cannot be read: {error.finding.message}"
        raise StoreError(message) from error


def _objects(path: Path, data: bytes) -> list[dict[str, Any]]:
    try:
        return [_object(line) for line in data.splitlines()]
    except (ValueError, RecursionError) as reason:
        message = f"{path}: the journal cannot be read: {reason}; {MOVE_AWAY}"
        raise StoreError(message) from reason


def _settle(folder: Path) -> None:
    """Bring a new file's name to the disk as well, where the system can do that."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
