"""TOML text into values, refused before the parser sees it if a key of it has too many parts.

One rule: every TOML text of a user or a bundle comes through here. ``tomllib`` takes time and
memory by the square of the parts of a dotted key: a few kilobytes could keep a computer busy.
"""

from __future__ import annotations

import re
import tomllib
from typing import Any

MOST_PARTS = 16
"""So many parts a dotted key may have; our own files have at most four."""

_PIECE = re.compile(r"\"\"\"|'''|[\"'.#\n=,\[\]{}]")
_ENDS = {
    '"""': re.compile(r'(?:[^"\\]|\\.|"(?!""))*+"{3,5}', re.DOTALL),
    "'''": re.compile(r"(?:[^']|'(?!''))*+'{3,5}"),
    '"': re.compile(r'(?:[^"\\\n]|\\.)*+"?'),
    "'": re.compile(r"[^'\n]*+'?"),
    "#": re.compile(r"[^\n]*+"),
}


def parse_toml(text: str) -> dict[str, Any]:
    """Return a TOML text's values.

    Raises TOMLDecodeError with the place, also for a key of more than :data:`MOST_PARTS` parts,
    and RecursionError for values nested too deeply.
    """
    place = _long_key(text)
    if place is not None:
        line, column = place
        message = f"A key has more than {MOST_PARTS} parts (at line {line}, column {column})"
        raise tomllib.TOMLDecodeError(message)
    return tomllib.loads(text)


def _long_key(text: str) -> tuple[int, int] | None:
    """Find the first key with too many parts, by looking at every character once.

    Dots within strings and comments do not count. Where the text is not TOML, what is found
    beyond that place does not matter: the parser stops there.
    """
    if not any(line.count(".") >= MOST_PARTS for line in text.split("\n")):
        return None
    at, dots = 0, 0
    while (piece := _PIECE.search(text, at)) is not None:
        mark, at = piece.group(), piece.end()
        if mark in _ENDS:
            end = _ENDS[mark].match(text, at)
            at = end.end() if end is not None else len(text)
        elif mark == ".":
            dots += 1
            if dots >= MOST_PARTS:
                start = text.rfind("\n", 0, at) + 1
                return text.count("\n", 0, start) + 1, at - start
        else:
            dots = 0
    return None
