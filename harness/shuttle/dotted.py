"""Parses TOML, but refuses keys with too many parts and numbers with too many digits.

One rule: every TOML text of a user or a bundle is parsed here. ``tomllib`` takes time and memory in
proportion to the square of a dotted key's parts: a few kilobytes could block a computer.
"""

from __future__ import annotations

import re
import tomllib
from typing import Any

MAX_PARTS = 16
"""Maximum number of parts of a dotted key; our own files have at most four."""

_MARK = re.compile(
    r'''"""(?:[^"\\]|\\.|"(?!""))*+(?:"{3,5})?'''
    r"""|'{3}(?:[^']|'(?!''))*+(?:'{3,5})?"""
    r"""|"(?:[^"\\\n]|\\[^\n])*+"?"""
    r"""|'[^'\n]*+'?"""
    r"""|\#[^\n]*+|[.\n=,\[\]{}]""",
    re.DOTALL,
)
"""A whole string or comment, a dot, or a character that ends a key."""


def parse_toml(text: str) -> dict[str, Any]:
    """Return the values of a TOML text.

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
    except ValueError as trouble:  # more digits than Python converts
        raise _too_large() from trouble
    if _has_large(values):
        raise _too_large()
    return values


def _too_large() -> tomllib.TOMLDecodeError:
    return tomllib.TOMLDecodeError("A whole number does not fit in 64 bits (at line 1, column 1)")


def _has_large(values: dict[str, Any]) -> bool:
    """Look for numbers that TOML 1.0, "Integer", requires to be refused."""
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
    """Find the first key with too many parts in one pass.

    Dots in strings and comments are ignored. In a text that is not TOML, results beyond the first
    error do not matter: the parser stops there.
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
