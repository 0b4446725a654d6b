"""The pattern in a shuttle file that the serial numbers of its chips match.

One rule: a pattern may be a stranger's, so its engine (RE2) takes time in proportion to the text,
whatever the pattern says; for that it knows no back references and does not look around.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import re2

_QUIET = re2.Options()
_QUIET.log_errors = False


def pattern_trouble(pattern: str) -> str:
    """Say why a text is no pattern of serial numbers; empty if it is one."""
    try:
        _compiled(pattern)
    except re2.error as trouble:
        (message,) = trouble.args
        return message.decode("utf-8", "replace") if isinstance(message, bytes) else str(message)
    return ""


def is_serial(pattern: str, text: str) -> bool:
    """Tell whether a whole text matches a pattern; to what is no pattern, no text does."""
    try:
        return _compiled(pattern).fullmatch(text) is not None
    except (UnicodeEncodeError, re2.error):
        return False


def pattern_of(serial: str) -> str:
    """Give the pattern that this serial number matches, and nothing else."""
    return str(re2.escape(serial))


@lru_cache
def _compiled(pattern: str) -> Any:
    return re2.compile(pattern, options=_QUIET)
