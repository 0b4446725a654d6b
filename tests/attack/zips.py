"""Damage to zip archives: to the file as it is, to its headers, and to what is inside.

One rule: what is damaged inside is packed again with fitting checksums, so that it gets through.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Mapping, Sequence
from random import Random

from tests.attack.damage import BYTES, Damage, damaged

Files = Mapping[str, bytes]
_SIGNATURES = re.compile(rb"PK(?:\x01\x02|\x03\x04|\x05\x06)")
NAMES = (
    "../out.csv", "/etc/passwd", "a\\..\\b", "C:x", "con", "a/./b", "a//b", "", ".", "x" * 300,
    "e\u0301", "\u202egnp.exe", "name\nline", "-rf", "a ", "a.", "A.CSV", "\U0001f9ea",
)  # fmt: skip


def unzipped(data: bytes) -> dict[str, bytes]:
    """Every file of an archive."""
    with zipfile.ZipFile(io.BytesIO(data)) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def zipped(files: Files, comment: bytes = b"") -> bytes:
    """An archive of files, which ends with the comment."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w") as archive:
        archive.comment = comment
        for name, content in files.items():
            archive.writestr(zipfile.ZipInfo(name), content, zipfile.ZIP_DEFLATED)
    return stream.getvalue()


def header_damage(data: bytes, random: Random) -> bytes:
    """A few bytes of one of the archive's own records change."""
    places = [found.start() for found in _SIGNATURES.finditer(data)]
    spoiled = bytearray(data)
    for _ in range(random.choice((1, 1, 2, 4)) if places else 0):
        at = random.choice(places) + random.randrange(46)
        if at < len(spoiled):
            spoiled[at] = random.choice(
                (0, 1, 0xFF, 0x7F, 0x80, spoiled[at] ^ 1 << random.randrange(8))
            )
    return bytes(spoiled)


def beside(data: bytes, random: Random) -> bytes:
    """Bytes stand before, behind or between what belongs there."""
    extra = random.choice((b"\0", b"PK\x05\x06", random.randbytes(30), data))
    return extra + data if random.random() < 0.5 else data + extra


ARCHIVE: tuple[Damage, ...] = (*BYTES, header_damage, header_damage, header_damage, beside)


def inside(files: Files, random: Random, likely: Sequence[str], kinds: Sequence[Damage]) -> Files:
    """The same files but for one: damaged, missing, renamed, doubled under another name."""
    spoiled = dict(files)
    likely = [name for name in likely if name in files]
    name = random.choice(likely) if random.random() < 0.9 else random.choice(sorted(files))
    match random.randrange(12):
        case 0:
            del spoiled[name]
        case 1:
            spoiled[random.choice(NAMES) or "."] = spoiled.pop(name)
        case 2:
            spoiled[random.choice(sorted(files))] = spoiled[name]
        case 3:
            spoiled[random.choice(NAMES) or "."] = spoiled[name]
        case _:
            spoiled[name] = damaged(spoiled[name], random, kinds)
    return spoiled
