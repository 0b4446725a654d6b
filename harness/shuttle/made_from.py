"""Reads ``made_from`` of a table: the file that it was made from.

One rule: the file has a plain name in the design's folder, so that a design from a stranger cannot
name any other.
"""

from __future__ import annotations

import re

from harness.shuttle.checks import take_up_to
from harness.shuttle.model import MadeFrom
from harness.shuttle.tomlfile import TomlTable

MAX_SEED = 2**32 - 1
MAX_CYCLES = 1_000_000

_PLAIN = re.compile(r"[A-Za-z0-9_][A-Za-z0-9_. -]*")
_SHA256 = re.compile(r"[0-9a-f]{64}")


def read_made_from(table: TomlTable | None) -> MadeFrom | None:
    """Read the record of a table's origin; None without one, or after findings."""
    if table is None:
        return None
    file, sha256 = table.text("file"), table.text("sha256")
    made_from = MadeFrom(
        file,
        sha256,
        seed=take_up_to(table, "seed", 0, MAX_SEED) if "seed" in table else None,
        kind=table.take("kind", str, ""),
        cycles=take_up_to(table, "cycles", 0, MAX_CYCLES),
    )
    if not file or not sha256:
        return None
    if not _PLAIN.fullmatch(file):
        message = f'"{file}" is not the plain name of a file'
        table.error("bad-origin", "file", message, "name a file in the design's folder")
        return None
    if not _SHA256.fullmatch(sha256):
        message, advice = "this is not a SHA-256", "write 64 hexadecimal digits in lower case"
        table.error("bad-origin", "sha256", message, advice)
        return None
    return made_from
