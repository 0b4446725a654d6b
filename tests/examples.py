"""How many examples a dear property test tries."""

from __future__ import annotations

from typing import Any

from hypothesis import settings


def few(by_day: int, **others: Any) -> settings:
    """Try so many examples by day, where others try a hundred, and ten times as many at night."""
    return settings(max_examples=settings().max_examples * by_day // 100, **others)
