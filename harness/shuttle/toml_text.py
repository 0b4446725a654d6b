"""Writes values that ``tomllib`` gave as TOML text again.

One rule: reading what was written gives the same values; how the file was laid out is lost.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from datetime import date, datetime, time


def toml_text(values: Mapping[str, object]) -> str:
    """Return the values as TOML, a line per key of the top table."""
    return "".join(f"{key_text(key)} = {_value(value)}\n" for key, value in values.items())


def _value(value: object) -> str:
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{key_text(k)} = {_value(v)}" for k, v in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(_value(item) for item in value) + "]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return quoted(value)
    if isinstance(value, (datetime, date, time)):
        return value.isoformat()
    return repr(value)


_BARE = re.compile(r"[A-Za-z0-9_-]+")


def key_text(key: str) -> str:
    """Return a key as TOML: bare where that is allowed, else a string."""
    return key if _BARE.fullmatch(key) else quoted(key)


def quoted(text: str) -> str:
    """Return a basic string: JSON's escapes are TOML's too, but for characters beyond 16 bits."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
