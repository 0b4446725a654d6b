"""TOML text into values, refused if it has keys of too many parts or numbers of too many digits.

One rule: every TOML text of a user or a bundle comes through here. ``tomllib`` takes time and
memory by the square of the parts of a dotted key: a few kilobytes could keep a computer busy.
"""

from __future__ import annotations

import re
import tomllib
from typing import Any

MAX_PARTS = 16
"""So many parts a dotted key may have; our own files have at most four."""

_MARK = re.compile(
    r'''"""(?:[^"\\]|\\.|"(?!""))*+(?:"{3,5})?'''
    r"""|'{3}(?:[^']|'(?!''))*+(?:'{3,5})?"""
    r"""|"(?:[^"\\\n]|\\[^\n])*+"?"""
    r"""|'[^'\n]*+'?"""
    r"""|\#[^\n]*+|[.\n=,\[\]{}]""",
    re.DOTALL,
)
"""A string or comment as a whole, a dot, or what ends a key."""


def parse_toml(text: str) -> dict[str, Any]:
    """Return a TOML text's values.

    Raises TOMLDecodeError with the place, also for a key of more than :data:`MAX_PARTS` parts
    (before the parser sees it) and, without a place, for a whole number beyond 64 bits. Raises
    RecursionError for values nested too deeply.
    """
    place = _long_key(text)
    if place is not None:
        line, column = place
        message = f"A key has more than {MAX_PARTS} parts (at line {line}, column {column})"
        raise tomllib.TOMLDecodeError(message)
    try:
        values = tomllib.loads(text)
    except tomllib.TOMLDecodeError:
        raise
    except ValueError as trouble:  # so many digits that Python does not even read them
        raise _too_large() from trouble
    if _has_large(values):
        raise _too_large()
    return values


def _too_large() -> tomllib.TOMLDecodeError:
    return tomllib.TOMLDecodeError("A whole number does not fit in 64 bits (at line 1, column 1)")


def _has_large(values: dict[str, Any]) -> bool:
    """Look for numbers that TOML 1.0, "Integer", has refused: none here could be meant."""
    waiting: list[object] = [values]
    while waiting:
        value = waiting.pop()
        if isinstance(value, dict):
            waiting.extend(value.values())
        elif isinstance(value, list):
            waiting.extend(value)
        elif isinstance(value, int) and not -(2**63) <= value < 2**63:
            return True
    return False


def _long_key(text: str) -> tuple[int, int] | None:
    """Find the first key with too many parts, by looking at every character once.

    Dots within strings and comments do not count. Where the text is not TOML, what is found
    beyond that place does not matter: the parser stops there.
    """
    if not any(line.count(".") >= MAX_PARTS for line in text.split("\n")):
        return None
    dots = 0
    for mark in _MARK.finditer(text):
        if mark[0] == ".":
            dots += 1
            if dots >= MAX_PARTS:
                start = text.rfind("\n", 0, mark.end()) + 1
                return text.count("\n", 0, start) + 1, mark.end() - start
        elif mark[0][0] not in "\"'#":
            dots = 0
    return None
