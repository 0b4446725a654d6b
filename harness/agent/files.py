"""The board's file system for the host: one request at a time, each with its CRC-32.

The raw REPL does not notice damaged bytes, so request and answer are JSON with a CRC, and every
request can be repeated. A file is written under another name and then renamed: power may fail
between any two steps, and the file is the old one or the new one.
"""

from __future__ import annotations

import binascii
import json
import os
from collections.abc import Callable
from typing import Any

FOLDER = 0x4000
"""The file type of a folder, in the first field of ``os.stat``."""
PART = 768
"""Bytes of a file in one answer."""
NEW = ".new"
"""What the name of a file ends in until it is whole."""
HELD = "_t"
"""The global name under which the upload keeps the bytes of the next file."""


def serve_request(request: str, crc: int) -> None:
    """Do a request, ``[name, argument…]``, if it is undamaged; print the answer's CRC and text."""
    if binascii.crc32(request.encode()) != crc:
        return
    name, *arguments = json.loads(request)
    text = json.dumps(REQUESTS[name](*arguments))
    print(binascii.crc32(text.encode()), text)


def room() -> list[Any]:
    """The size of a block, the number of free blocks, and the kind of file system, or ""."""
    space = os.statvfs(os.getcwd())
    return [space[0], space[3], mounted()]


def mounted() -> str:
    """The type of the file system of the current folder; empty if the interpreter cannot say."""
    try:
        here = os.getcwd() + "/"
        mounts = [(place, type(fs).__name__) for fs, place in __import__("vfs").mount()]
        return str(max([(len(at), name) for at, name in mounts if here.startswith(at)])[1])
    except (ImportError, TypeError, ValueError):
        return ""


def entries(folder: str) -> list[list[Any]]:
    """The name of each file of a folder, and whether it is a folder."""
    names = os.listdir(folder) if folder else os.listdir()
    return [[name, bool(kind(f"{folder}/{name}" if folder else name) & FOLDER)] for name in names]


def kind(name: str) -> int:
    """The type of a file; 0 if there is none."""
    try:
        return os.stat(name)[0]
    except OSError:
        return 0


def part(name: str, at: int) -> list[Any] | None:
    """A part of a file from ``at`` on, in base 64, and the file's size; None if there is none."""
    if not kind(name):
        return None
    with open(name, "rb") as file:
        file.seek(at)
        return [binascii.b2a_base64(file.read(PART)).decode().strip(), os.stat(name)[6]]


def same(name: str, crc: int) -> bool:
    """Whether a file has this CRC-32."""
    if not kind(name):
        return False
    found = 0
    with open(name, "rb") as file:
        while True:
            data = file.read(PART)
            if not data:
                return found == crc
            found = binascii.crc32(data, found)


def put(name: str, size: int, crc: int) -> bool:
    """Write the bytes that have arrived, unless the file has them; whether it has them now."""
    if not same(name, crc):
        data = globals()[HELD]
        if len(data) != size or binascii.crc32(data) != crc:
            return False
        with open(name + NEW, "wb") as file:
            file.write(data)
        if not same(name + NEW, crc):
            return False
        os.rename(name + NEW, name)
    if hasattr(os, "sync"):
        os.sync()
    return True


def make_folder(name: str) -> bool:
    """Make a folder if it is missing."""
    if not kind(name):
        os.mkdir(name)
    return True


def remove(name: str) -> bool:
    """Remove a file, or a folder with its files, if it is there."""
    if kind(name) & FOLDER:
        for inner in os.listdir(name):
            os.remove(name + "/" + inner)
        os.rmdir(name)
    elif kind(name):
        os.remove(name)
    return True


REQUESTS: dict[str, Callable[..., object]] = {
    "room": room,
    "entries": entries,
    "part": part,
    "put": put,
    "make_folder": make_folder,
    "remove": remove,
}
