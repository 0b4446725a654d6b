"""The pattern for chip serial numbers in a shuttle file.

One rule: a pattern may come from a stranger, so its engine (RE2) takes linear time for every
pattern; in exchange it has no back references and no lookaround.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import re2

_QUIET = re2.Options()
_QUIET.log_errors = False


def pattern_trouble(pattern: str) -> str:
    """Return why a text is not a valid pattern; empty if it is."""
    try:
        _compiled(pattern)
    except re2.error as trouble:
        (message,) = trouble.args
        return message.decode("utf-8", "replace") if isinstance(message, bytes) else str(message)
    return ""


def is_serial(pattern: str, text: str) -> bool:
    """Tell whether a whole text matches a pattern; False if the pattern is not valid."""
    try:
        return _compiled(pattern).fullmatch(text) is not None
    except (UnicodeEncodeError, re2.error):
        return False


def pattern_of(serial: str) -> str:
    """Return the pattern that matches only this serial number."""
    return str(re2.escape(serial))


@lru_cache
def _compiled(pattern: str) -> Any:
    return re2.compile(pattern, options=_QUIET)
