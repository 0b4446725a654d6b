"""Attacks by what a person names: odd names, links, pipes, devices, files with holes, bombs."""

from __future__ import annotations

import json
import os
import shutil
import zipfile
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from pathlib import Path
from random import Random

from tests.attack.attack import Attack, Wrong, command
from tests.attack.damage import ODD
from tests.attack.sheets import sheet
from tests.attack.zips import unzipped, zipped
from tests.unit.shuttle.bench import write_files

_ENDS = (".csv", ".tsv", ".ods", ".xlsx", ".toml", ".json", ".bench", ".zip", ".sqlite", "")
_COMMANDS = (
    ["check"], ["run"], ["report", "--store"], ["replay"], ["history", "--store"], ["intake"],
    ["bundle", "latest", "--chip", "X", "--store"],
)  # fmt: skip
_FIXED = (
    "", " ", ".", "..", "~", "-", "--", "/proc/self/mem", "/proc/self/environ", "/proc/1/root",
    "/dev/zero", "/dev/null", "/dev/full", "/dev/stdin", "/proc/self/fd/0", "sqlite://", "://",
    "postgresql://x", "sqlite:///", "file:x", ":memory:", "100%25.sqlite", "q?x=1.sqlite",
)  # fmt: skip


def _bomb_zip(path: Path) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name in ("content.xml", "xl/workbook.xml", "run.json", "xl/worksheets/sheet1.xml"):
            with archive.open(name, "w", force_zip64=True) as stream:
                for _ in range(80):
                    stream.write(b" " * 1_000_000)


def _bomb_repeat(path: Path) -> None:
    files = unzipped(sheet(".ods"))
    text = files["content.xml"]
    for what in (b"rows", b"columns"):
        mark = b"<table:table-row>" if what == b"rows" else b"<table:table-cell "
        more = mark.rstrip(b"> ") + b" table:number-" + what + b'-repeated="1000000" '
        text = text.replace(mark, more + (b">" if what == b"rows" else b""))
    path.write_bytes(zipped(files | {"content.xml": text}))


def _bomb_entities(path: Path) -> None:
    lines = ['<!ENTITY a0 "aaaaaaaaaa">']
    lines += [f'<!ENTITY a{n} "{f"&a{n - 1};" * 10}">' for n in range(1, 10)]
    text = f"<!DOCTYPE x [{''.join(lines)}]><x>&a9;</x>".encode()
    names = ("content.xml", "xl/workbook.xml", "[Content_Types].xml", "xl/sharedStrings.xml")
    path.write_bytes(zipped(dict.fromkeys(names, text)))


def _sparse(path: Path) -> None:
    with path.open("wb") as stream:
        stream.truncate(3_000_000_000)


def _loop(path: Path) -> None:
    path.symlink_to(path.name)


def _nested(path: Path) -> None:
    path.write_bytes(b"a = " + b"[" * 50_000 + b"]" * 50_000)


def _many_columns(path: Path) -> None:
    path.write_bytes(b",".join(b"c%d" % n for n in range(14_000)) + b"\n" + b"1\n")


def _bad_cells(path: Path) -> None:
    path.write_bytes(b"d,q\n" + b"".join(b"Q%d,1\n" % n for n in range(200_000)))


def _late(path: Path) -> None:
    path.write_bytes(b"clk,q,repeat\n" + b"C,1,19000000\n")


_MAKE: Mapping[str, Callable[[Path], object]] = {
    "none": str,
    "empty": Path.touch,
    "folder": Path.mkdir,
    "fifo": os.mkfifo,
    "loop": _loop,
    "dangling": lambda path: path.symlink_to("nowhere"),
    "device": lambda path: path.symlink_to("/dev/zero"),
    "sparse": _sparse,
    "zip": _bomb_zip,
    "repeat": _bomb_repeat,
    "entities": _bomb_entities,
    "nested": _nested,
    "columns": _many_columns,
    "cells": _bad_cells,
    "repeats": _late,
}


@dataclass(frozen=True)
class Names:
    """One command with one name. An input is JSON: command, name, what stands there."""

    folder: Path

    def make(self, random: Random) -> bytes:
        what = random.choice(list(_MAKE))
        name = "".join(random.choice(ODD) for _ in range(random.randint(1, 3)))
        name = random.choice((name, f"a{name}b", "plain", "x" * random.choice((200, 260, 5000))))
        name = random.choice((*[f"{name}{random.choice(_ENDS)}"] * 3, random.choice(_FIXED)))
        return json.dumps([random.choice(_COMMANDS), name, what]).encode("ascii")

    def judge(self, case: bytes) -> str:
        arguments, name, what = json.loads(case)
        folder = self.folder / "bench" / "count"
        shutil.rmtree(folder.parent, ignore_errors=True)
        folder.parent.mkdir()
        write_files(folder.parent)
        before = Path.cwd()
        os.chdir(folder)
        try:
            return self._told(arguments, name, what)
        finally:
            os.chdir(before)

    def _told(self, arguments: list[str], name: str, what: str) -> str:
        try:
            inside = "/" not in name and name not in {"", ".", ".."}
            if inside:
                _MAKE[what](Path(name))
        except (OSError, ValueError):
            inside = False
        code, printed = command([*arguments, name])
        if code not in {0, 1, 2, 3}:
            raise Wrong(f"exit code {code}")
        if code == 0 and what not in {"none", "empty", "folder", "repeats"} and inside:
            raise Wrong(f"exit code 0 for {arguments} {name!r}, which is {what}: {printed[-200:]}")
        if code == 0 and not name.strip():
            raise Wrong(f"exit code 0 for {arguments} with no name")
        odd = [letter for letter in printed if ord(letter) < 32 and letter not in "\n\t"]
        if odd:
            raise Wrong(f"a control character is printed: {odd[0]!r}")
        return f"exit code {code}"


def names(folder: Path) -> Attack:
    """Names of all kinds."""
    return Names(folder)
