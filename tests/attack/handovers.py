"""Attacks on handovers: a damaged or planted record, and a board that lies about its files.

The board is this process in a folder of its own. What was on it is there afterwards, or what the
record says was there before; a label is one file in one folder, and a text in it stays a text.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import zlib
from collections.abc import Mapping
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from types import SimpleNamespace
from typing import Any, cast

from harness.agent import protocol
from harness.agent.backends import backend
from harness.board import MAIN, Session, put_startup
from harness.board.startup import make_startup
from harness.errors import HarnessError
from harness.jobs.handover import LABELS, _labelled, _undone
from harness.link import BoardFiles, Command
from harness.records import encode, kept_program
from harness.store import Store
from harness_reports import wakes_text
from tests.attack.attack import REFUSED, SAME, Attack, Wrong
from tests.attack.damage import ODD, TEXT, damaged
from tests.unit.jobs.test_handover import OWN
from tests.unit.link.local_repl import LocalRepl
from tests.unit.store.test_handovers import HANDED

BIND, CLOCK = Command(protocol.BIND, b"\x01"), Command(protocol.BLOCK, b"")
ONE = make_startup(backend("generic"), [BIND], CLOCK, HANDED.key)
RECORD = replace(HANDED, folder=ONE.folder, before=kept_program(OWN))
PLANTED = ("../../x", "/x", "<img src=x>", "=1+1", "\x1b[2J", "x" * 300, "con", ".", "", ONE.folder)
THEIRS = {"data.txt": b"theirs", "handover-notes.txt": b"theirs"}
"""Files of the board's owner that no handover touches."""


@dataclass
class _Liar(LocalRepl):
    """A board whose answers are damaged, with fitting checksums."""

    random: Random | None = None

    def execute(self, source: bytes, timeout: float = 10.0, data: bytes = b"") -> str:
        _, blank, answer = super().execute(source, timeout, data).strip().partition(" ")
        if self.random is not None and self.random.random() < 0.3:
            answer = damaged(answer.encode(), self.random, TEXT)[:4000].decode("utf-8", "replace")
        return f"{zlib.crc32(answer.encode())}{blank}{answer}"


@dataclass(frozen=True)
class Handovers:
    """An input is JSON: the record's columns and body, ``main.py``, and a number to lie by."""

    folder: Path
    sound: bytes

    def make(self, random: Random) -> bytes:
        fields: dict[str, Any] = dict(cast("Mapping[str, Any]", encode(RECORD)))
        chip, board = RECORD.chip_serial, RECORD.board_serial
        for _ in range(random.choice((0, 1, 1, 3))):
            text = random.choice((*PLANTED, "".join(random.choices(ODD, k=3))))
            fields[random.choice(list(fields))] = random.choice((text, [text], None, 1e400, -1))
        if random.random() < 0.3:
            chip = fields["chip_serial"] = random.choice(PLANTED)
        body = json.dumps(fields).encode()
        if random.random() < 0.4:
            body = damaged(body, random, TEXT)
        main = random.choice((ONE.main, ONE.main, OWN, damaged(ONE.main, random, TEXT)))
        lies = random.choice((0, 0, random.randrange(1, 1 << 30)))
        texts = [chip, board, body.decode("utf-8", "replace"), main.hex(), lies]
        return json.dumps(texts).encode("ascii")

    def judge(self, case: bytes) -> str:
        chip, _, body, main, lies = json.loads(case)
        for name in ("flash", "out"):
            shutil.rmtree(self.folder / name, ignore_errors=True)
        flash, before = self.folder / "flash", Path.cwd()
        flash.mkdir()
        os.chdir(flash)
        try:
            put_startup(BoardFiles(LocalRepl()), ONE, None)
            for name, data in {**THEIRS, MAIN: bytes.fromhex(main)}.items():
                (flash / name).write_bytes(data)
            with Store(self._store(chip, body)) as store:
                return self._undo(store, chip, Random(lies) if lies else None)
        finally:
            os.chdir(before)

    def _store(self, chip: str, body: str) -> Path:
        path = self.folder / "s.sqlite"
        for beside in self.folder.glob("s.sqlite-*"):
            beside.unlink()
        path.write_bytes(self.sound)
        with closing(sqlite3.connect(path)) as plain, plain:
            plain.execute("UPDATE handovers SET body = ?, chip_serial = ?", (body, chip))
        return path

    def _undo(self, store: Store, chip: str, random: Random | None) -> str:
        files = BoardFiles(_Liar(random=random))
        session = cast("Session", SimpleNamespace(files=lambda: files))
        flash, out = self.folder / "flash", self.folder / "out"
        there = _content(flash)
        for record in store.handovers():
            wakes_text(record)
        self._label(store, chip, out)
        try:
            done = _undone(session, "WB-01", store)
        except HarnessError:
            if random is None and _content(flash) != there:
                raise Wrong("an undo that is refused changes the board") from None
            told = REFUSED
        else:
            if random is None and _content(flash).get(MAIN) != done.record.program:
                raise Wrong(f"{MAIN} is not what the record has")
            if done.record.program not in {None, OWN}:
                raise Wrong(f"{MAIN} becomes {done.record.program!r}, which was never there")
            self._label(store, chip, out)
            told = SAME
        left = _content(flash)
        if any(left.get(name) != data for name, data in THEIRS.items()):
            raise Wrong("a file of the board's owner is changed")
        return told if random is None else f"{told}, by a liar"

    def _label(self, store: Store, chip: str, out: Path) -> None:
        label = _labelled(chip, store, out)
        files = [path for path in self.folder.rglob("*.html") if path.is_file()]
        if files != [path for path in [label] if path is not None]:
            raise Wrong(f"labels are {files}, not {label}")
        for path in files:
            text = path.read_text("utf-8")
            if path.parent != out / LABELS or "<img" in text or "\x1b" in text:
                raise Wrong(f"{path} has what was planted")


def _content(folder: Path) -> dict[str, bytes]:
    return {str(p.relative_to(folder)): p.read_bytes() for p in folder.rglob("*") if p.is_file()}


def handovers(folder: Path) -> Attack:
    """Records of handovers, and boards that were handed over."""
    path = folder / "sound.sqlite"
    with Store(path) as store:
        store.record_handover(RECORD)
    with closing(sqlite3.connect(path)) as plain:
        plain.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        plain.execute("PRAGMA journal_mode=DELETE")
    return Handovers(folder, path.read_bytes())
