"""Values put together by key.

One rule: keys and values stay in the order in which they came. This module imports nothing of ours.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from typing import TypeVar

Key = TypeVar("Key", bound=Hashable)
Value = TypeVar("Value")


def grouped(pairs: Iterable[tuple[Key, Value]]) -> dict[Key, list[Value]]:
    """Map each key to the values that it was given with; a key has at least one."""
    groups: dict[Key, list[Value]] = {}
    for key, value in pairs:
        groups.setdefault(key, []).append(value)
    return groups
