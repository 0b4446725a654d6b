"""What the benchmarks of speed run: long demo tables, and random vectors."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from harness.shuttle import Bus, Design, Direction, Shuttle
from harness.table import Pattern, load_table

ROOT = Path(__file__).resolve().parents[2]
SAME_VECTORS = "random, nine pins in, nine out"
"""What a script runs too, so that here speeds can be compared."""
ARRAYS = ("drive", "enable", "pulse", "expect", "care", "highz", "repeat", "until", "line")
"""The arrays of a pattern."""


def work(shuttle: Shuttle) -> list[tuple[str, Design, Pattern]]:
    """Every demo table of more than 1,000 vectors, and random ones on all pins."""
    found = []
    for design in shuttle.designs:
        for table in design.tables:
            pattern = load_table(table, design, shuttle)
            if len(pattern) > 1000:
                found.append((f"{design.name}/{table.name}", design, pattern))
    found.append((SAME_VECTORS, shuttle.designs[0], random_vectors(shuttle)))
    return found


def random_vectors(shuttle: Shuttle) -> Pattern:
    """Vectors that no coder can make small: every bit of input and output random."""
    count = 50_000
    rng = np.random.default_rng(1)
    drive = rng.integers(0, 512, count).astype(np.uint32)
    expect = (rng.integers(0, 512, count) << 9).astype(np.uint32)
    zero = np.zeros(count, np.uint32)
    bus = Bus("i", shuttle.pins[:9], Direction.INPUT)
    return Pattern(
        drive=drive,
        enable=zero + np.uint32(511),
        pulse=zero,
        expect=expect,
        care=zero + np.uint32(511 << 9),
        highz=zero,
        repeat=zero + np.uint32(1),
        until=np.zeros(count, np.bool_),
        line=np.zeros(count, np.int32),
        signals=(bus,),
    )


def picked(pattern: Pattern, rows: Any) -> Pattern:
    """The vectors of these rows (a slice, or an array of numbers)."""
    arrays: dict[str, Any] = {name: getattr(pattern, name)[rows] for name in ARRAYS}
    return replace(pattern, **arrays)


def cut(pattern: Pattern, count: int) -> Pattern:
    """The first ``count`` vectors."""
    return picked(pattern, slice(count))


def again(pattern: Pattern, count: int) -> Pattern:
    """The vectors of a pattern over and over, ``count`` in all."""
    return picked(pattern, np.arange(count) % len(pattern))
