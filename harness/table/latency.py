"""Latency of buses: what is expected in one row is tested some cycles later.

One rule: with a latency every row is one cycle, so that "later" is unambiguous; the inputs of the
last row are repeated (pulses included) until the last expected value has been tested.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from harness.errors import Findings, Location
from harness.table.columns import RowTexts
from harness.table.pattern import Pattern
from harness.table.symbols import TESTING, Words

MAX_ROWS = 4_000_000
"""Maximum number of rows of the result: 50 bytes each while values are moved, so 200 MB."""


def apply_latency(
    pattern: Pattern, masks: Mapping[int, int], path: Path, findings: Findings
) -> Pattern:
    """Move tested values. ``masks`` maps each latency in cycles (above 0) to its pins."""
    if not masks:
        return pattern
    rows = pattern.cycles + max(masks)
    if rows > MAX_ROWS:
        findings.error(
            "too-many-cycles",
            Location(path),
            f"with its latency the table needs {rows:,} rows; the limit is {MAX_ROWS:,}",
            "repeat less, or remove the latency",
        )
        return pattern
    moved = _moved(pattern, masks)
    clash = np.flatnonzero(moved.tested & moved.enable)
    if len(clash):
        findings.error(
            "latency-on-driven-pin",
            Location(path, int(moved.line[clash[0]])),
            "this row drives a pin on which a delayed value is tested (latency)",
            "release the pin until the value has been tested",
        )
    return moved


def _moved(pattern: Pattern, masks: Mapping[int, int]) -> Pattern:
    """Expand to one row per cycle, plus rows that repeat the inputs of the last one."""
    repeat = pattern.repeat.astype(np.int64)
    first = np.cumsum(repeat) - repeat
    drain = max(masks)
    source = np.repeat(np.arange(len(pattern)), repeat)
    rows = pattern.pick(np.concatenate([source, np.full(drain, len(pattern) - 1)]))
    assert isinstance(pattern.labels, RowTexts)
    shifted: dict[str, Any] = {
        name: _shift(getattr(rows, name), len(source), masks) for name in TESTING
    }
    return replace(
        rows,
        **shifted,
        repeat=np.ones(len(rows), np.uint32),
        until=np.zeros(len(rows), np.bool_),
        labels=pattern.labels.moved(first),
    )


def _shift(words: Words, rows: int, masks: Mapping[int, int]) -> Words:
    """Move the bits of each latency's pins down by that many rows; added rows test nothing.

    Changes ``words``.
    """
    words[rows:] = 0
    moved = words & np.uint32(~sum(masks.values()) & 0xFFFF_FFFF)
    for cycles, mask in masks.items():
        moved[cycles:] |= words[:-cycles] & np.uint32(mask)
    return moved
