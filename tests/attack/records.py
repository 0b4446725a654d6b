"""Attacks on what the tool itself wrote: stores, run files, journals of an intake."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path
from random import Random
from typing import Any

from harness.errors import StoreError
from harness.intake import read_journals
from harness.records import Verdict, encode
from harness.store import Store
from harness_reports import parse_run_json, run_json
from tests.attack.attack import DIFFERENT, REFUSED, SAME, Attack, Wrong, command
from tests.attack.damage import BYTES, TEXT, Damage, damaged
from tests.unit.intake.test_journal import begun
from tests.unit.reports.samples import passed
from tests.unit.store.samples import NOON, chip, heading
from tests.unit.store.test_store import failing_outcome

_CODES = {
    Verdict.PASS: 0, Verdict.WAIVED: 0, Verdict.FAIL: 1, Verdict.UNSTABLE: 1, Verdict.ERROR: 3,
    Verdict.NOT_RUN: 3,
}  # fmt: skip


@dataclass(frozen=True)
class Damaged:
    """Files of one kind; ``judged`` tells what the tool made of the file."""

    path: Path
    sound: bytes
    kinds: tuple[Damage, ...]
    judged: Callable[[Path, bytes], str]

    def make(self, random: Random) -> bytes:
        return damaged(self.sound, random, self.kinds)

    def judge(self, case: bytes) -> str:
        self.path.write_bytes(case)
        return self.judged(self.path, self.sound)


def run_files(folder: Path) -> Attack:
    """The JSON file of a run."""
    one = replace(chip(), outcomes=(failing_outcome(), passed()))
    text = run_json(replace(heading(), finished=NOON, chips=(one,)))
    return Damaged(folder / "run.json", text.encode(), TEXT, _run_file)


def _run_file(path: Path, sound: bytes) -> str:
    try:
        run = parse_run_json(path.read_bytes())
    except StoreError:
        return REFUSED
    written = json.loads(path.read_bytes())["run"]
    if not _covers(encode(run), written):
        raise Wrong("the run is read as another than its text says")
    run_json(run)
    return SAME if path.read_bytes() == sound else DIFFERENT


def _covers(read: Any, written: Any) -> bool:
    """Whether all that is written was read so; a moment may be written in several ways."""
    if isinstance(written, dict) and isinstance(read, dict):
        return all(key in read and _covers(read[key], written[key]) for key in written)
    if isinstance(written, list) and isinstance(read, list):
        return len(read) == len(written) and all(map(_covers, read, written))
    if isinstance(written, str) and isinstance(read, str):
        return read == written or (read[:4] == written[:4] and "T" in read)
    if isinstance(read, str):
        return read == str(written)  # 1e400 in JSON is infinite, which has a word of its own here
    return bool(read == written)


def journals(folder: Path) -> Attack:
    """The journal of an intake."""
    begun(folder / "sound.jsonl").finish()
    sound = (folder / "sound.jsonl").read_bytes()
    (folder / "sound.jsonl").unlink()
    return Damaged(folder / "j.jsonl", sound, TEXT, _journal)


def _journal(path: Path, sound: bytes) -> str:
    try:
        folder = read_journals(path.parent)
        for journal in folder.journals:
            _ = journal.head, journal.last_by, journal.finished
        found = [(slot, list(journal.events(slot))) for journal in folder.journals
                 for slot in ("A1", "A2")]  # fmt: skip
    except StoreError:
        return REFUSED
    if not folder.journals:
        return f"{REFUSED} as strange" if folder.foreign else "nothing begun"
    whole = path.read_bytes()
    lines = [json.loads(line) for line in whole[: whole.rfind(b"\n") + 1].splitlines()]
    for slot, events in found:
        written = [
            {key: value for key, value in line.items() if key not in {"slot", "kind"}}
            for line in lines[1:]
            if line.get("slot") == slot
        ]
        if not _covers([encode(event) for event in events], written):
            raise Wrong(f"events of {slot} are read as others")
    return SAME if whole == sound else DIFFERENT


def stores(folder: Path) -> Attack:
    """The SQLite file of a store."""
    path = folder / "sound.sqlite"
    with Store(path) as store:
        for name in ("r1", "r2"):
            store.start_run(heading(name))
            store.record_chip(name, chip())
            store.record_outcome(name, replace(failing_outcome(), design="alu181"))
            store.record_outcome(name, passed())
            store.finish_run(name, NOON, cancelled=False)
    with closing(sqlite3.connect(path)) as plain:
        plain.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        plain.execute("PRAGMA journal_mode=DELETE")
        plain.execute("VACUUM")
    return Damaged(folder / "s.sqlite", path.read_bytes(), (*BYTES, *BYTES, _row_damage), _store)


def _row_damage(data: bytes, random: Random) -> bytes:
    """A value of some row becomes another of the same length, as a flipped sector would do."""
    texts = [at for at in range(len(data) - 8) if data[at : at + 8].isalnum()]
    at = random.choice(texts) + random.randrange(8) if texts else 0
    return data[:at] + bytes((random.choice(b'{}"[,0AZaz\0\xff'),)) + data[at + 1 :]


def _store(path: Path, sound: bytes) -> str:
    for beside in path.parent.glob("s.sqlite-*"):
        beside.unlink()
    out = path.parent / "out"
    code, printed = command(["report", "r2", "--store", str(path), "--out", str(out)])
    shutil.rmtree(out, ignore_errors=True)
    if code not in {0, 1, 2, 3}:
        raise Wrong(f"exit code {code}")
    if code in {2, 3}:
        if not printed.strip():
            raise Wrong(f"exit code {code} without a word: {printed[-300:]}")
        return REFUSED
    try:
        with closing(sqlite3.connect(path)) as plain:
            rows = plain.execute("SELECT body FROM outcomes WHERE run_id = 'r2'").fetchall()
    except sqlite3.DatabaseError:
        return "reported, and nobody else can read it"
    codes = {_code(body) for (body,) in rows} or {3}
    if code != (1 if 1 in codes else max(codes)):
        raise Wrong(f"exit code {code} where the verdicts say {codes}")
    return f"reported, {SAME if path.read_bytes() == sound else 'exit code true'}"


def _code(body: object) -> int:
    try:
        return _CODES[Verdict(json.loads(str(body))["verdict"])]
    except (ValueError, KeyError, TypeError):
        return 3
