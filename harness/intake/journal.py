"""The journal of an intake: one JSON line for each answer, on the disk before the next question.

One rule: a line that ends in a newline is complete. A last line without one was cut short by a
crash before its answer counted, so it is dropped.
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
VERSION = 4
_KINDS = {
    "reply": Replied,
    "work": Worked,
    "measure": Measured,
    "lost": Lost,
    "halt": Halted,
    "taken": TakenUp,
    "signed": Signed,
}
MOVE_AWAY = "move it away and begin again"
_NAMES = {kind: name for name, kind in _KINDS.items()}


@dataclass(frozen=True)
class FileSum:
    """A file's name and its SHA-256."""

    name: str
    sha256: str


@dataclass(frozen=True)
class JournalHeading:
    """What a journal is about.

    ``rack`` is a hash of the rack file's path, ``slots`` are the slots requested (empty for all),
    ``files`` the files that the intake uses.
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
    """A file of events by slot. Raises StoreError if it cannot be read or written.

    Reading changes nothing, because another process may be writing; a writer has locked the intake.
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
        """Whether this version of this tool wrote the first line."""
        head = self._lines[0] if self._lines else {}
        return head.get("format") == FORMAT and head.get("version") == VERSION

    @property
    def head(self) -> JournalHeading:
        """The first line. Raises StoreError if another tool or version wrote it."""
        head = self._lines[0] if self.ours else {}
        body = {key: value for key, value in head.items() if key not in {"format", "version"}}
        try:
            return decode(JournalHeading, body if head else None, FORMAT)
        except (KeyError, TypeError, ValueError) as reason:
            raise StoreError(f"{self.path}: not the journal of an intake; {MOVE_AWAY}") from reason

    @property
    def last_by(self) -> str:
        """Who answered last, or who began the intake if there are no answers yet."""
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
            message = f"{self.path}: a line of the journal is unusable: {reason}"
            raise StoreError(message) from reason

    def record(self, slot: str, event: Event) -> None:
        """Keep an event; on the disk when this returns."""
        body = cast("dict[str, Any]", encode(event))
        self._append({"slot": slot, "kind": _NAMES[type(event)], **body})

    def finish(self) -> None:
        """Note the end of the intake: every slot has its card, or the intake was given up."""
        self._append({"kind": "end"})

    @property
    def finished(self) -> bool:
        """Whether the intake has ended."""
        return any(line.get("kind") == "end" for line in self._lines)

    @property
    def begun(self) -> bool:
        """Whether there is a first line; without one no intake has begun."""
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
            advice = "fix that; the same command then continues"
            message = f"{self.path}: the answer cannot be saved: {why}; {advice}"
            raise StoreError(message) from reason
        self._lines.append(line)


def _object(line: bytes) -> dict[str, Any]:
    value = json.loads(line)
    if not isinstance(value, dict):
        raise ValueError("a line is not an object")  # noqa: TRY004 - as json raises it
    return value


def _data(path: Path) -> bytes:
    if not is_there(path):
        return b""
    try:
        return read_file(path, MAX_RECORD_BYTES)
    except FileUnusable as error:
        raise StoreError(f"{path}: the journal cannot be read: {error.finding.message}") from error


def _objects(path: Path, data: bytes) -> list[dict[str, Any]]:
    try:
        return [_object(line) for line in data.splitlines()]
    except (ValueError, RecursionError) as reason:
        raise StoreError(f"{path}: the journal cannot be read: {reason}; {MOVE_AWAY}") from reason


def _settle(folder: Path) -> None:
    """Flush a new file's folder entry to the disk, where the system supports that."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
