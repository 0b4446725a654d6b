"""The journal of an intake: one JSON line for each answer, on the disk before the next question.

One rule: a line that ends in a newline is true; a last line without one was cut short by a crash
and never counted as answered, so it is dropped.
"""

from __future__ import annotations

import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any, cast

from harness.errors import StoreError
from harness.intake.machine import Event, Replied, Worked
from harness.store import decode, encode

FORMAT = "harness-intake"
VERSION = 1


class Journal:
    """A file of events, slot by slot. Raises StoreError where it cannot be kept or read."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lines = _whole_lines(path)

    @classmethod
    def begin(cls, path: Path, run_id: str, rack_sha256: str, by: str) -> Journal:
        """Start a journal, with who does the intake."""
        journal = cls(path)
        head = {"format": FORMAT, "version": VERSION, "run": run_id, "rack": rack_sha256, "by": by}
        journal._append(head)
        return journal

    @property
    def head(self) -> dict[str, Any]:
        """The first line: ``run``, ``rack`` and ``by``. Raises StoreError if it is none of ours."""
        head = self._lines[0] if self._lines else {}
        if head.get("format") != FORMAT or head.get("version") != VERSION:
            message = f"{self.path}: not the journal of an intake; move it away and begin again"
            raise StoreError(message)
        return head

    def events(self, slot: str) -> Iterator[Event]:
        """Everything that happened in one slot, in order."""
        for line in self._lines[1:]:
            if line.get("slot") == slot:
                yield self._event(line)

    def _event(self, line: dict[str, Any]) -> Event:
        body = {key: value for key, value in line.items() if key not in {"slot", "kind"}}
        try:
            kind = {"reply": Replied, "work": Worked}[line["kind"]]
            event: Event = decode(kind, body, line["kind"])
        except (KeyError, TypeError, ValueError) as reason:
            message = f"{self.path}: a line of the journal cannot be used: {reason}"
            raise StoreError(message) from reason
        return event

    def record(self, slot: str, event: Event) -> None:
        """Keep an event; on the disk when this returns."""
        kind = "reply" if isinstance(event, Replied) else "work"
        self._append({"slot": slot, "kind": kind, **cast("dict[str, Any]", encode(event))})

    def finish(self) -> None:
        """Note that every slot has its card: the next intake begins anew."""
        self._append({"kind": "end"})

    @property
    def finished(self) -> bool:
        """Whether every slot had its card."""
        return bool(self._lines) and self._lines[-1].get("kind") == "end"

    def _append(self, line: dict[str, Any]) -> None:
        data = json.dumps(line, ensure_ascii=True).encode("ascii") + b"\n"
        try:
            self.path.parent.mkdir(parents=True, exist_ok=True)
            with self.path.open("ab") as stream:
                stream.write(data)
                stream.flush()
                os.fsync(stream.fileno())
        except OSError as reason:
            message = f"{self.path}: the answer cannot be kept: {reason.strerror or reason}"
            raise StoreError(message) from reason
        self._lines.append(line)


def _whole_lines(path: Path) -> list[dict[str, Any]]:
    """Read the journal; a torn last line is cut off the file as well."""
    try:
        data = path.read_bytes()
        whole = data[: data.rfind(b"\n") + 1]
        if whole != data:
            os.truncate(path, len(whole))
        return [json.loads(line) for line in whole.splitlines()]
    except FileNotFoundError:
        return []
    except (OSError, ValueError) as reason:
        message = f"{path}: the journal cannot be read: {reason}"
        raise StoreError(message) from reason
