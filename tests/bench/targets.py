"""What a benchmark must reach, what it did reach, and how a list of such is printed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Target:
    """One target: what is asked for, what was found, whether that is enough."""

    asked: str
    found: str
    met: bool

    def __str__(self) -> str:
        return f"{'met   ' if self.met else 'MISSED'} {self.asked}: {self.found}"


def conclude(targets: Sequence[Target]) -> int:
    """Print all targets; 1 if one is missed."""
    print()
    for target in targets:
        print(target)
    return 0 if all(target.met for target in targets) else 1
