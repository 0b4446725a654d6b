"""Latency of buses: what is expected in one row is tested some cycles later.

One rule: with a latency every row is one cycle, so that "later" has one meaning; after the last
row its inputs are repeated (pulses included) until the last expected value has been tested.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from harness.errors import Location
from harness.table.complaints import Complaints
from harness.table.pattern import Pattern, Words
from harness.table.texts import RowTexts

MOST_ROWS = 4_000_000
"""Rows that a table may become, at 50 bytes each while it is moved: 200 MB."""


def apply_latency(pattern: Pattern, masks: Mapping[int, int], complaints: Complaints) -> Pattern:
    """Move tested values. ``masks`` maps latency in cycles (above 0) to the pins that have it."""
    if not masks:
        return pattern
    rows = pattern.cycles + max(masks)
    if rows > MOST_ROWS:
        complaints.error(
            "too-many-cycles",
            Location(complaints.path),
            f"with a latency the table takes {rows:,} rows; {MOST_ROWS:,} are possible",
            "repeat less, or drop the latency",
        )
        return pattern
    expanded = _expand(pattern, max(masks))
    moved = replace(
        expanded,
        expect=_shift(expanded.expect, masks),
        care=_shift(expanded.care, masks),
        highz=_shift(expanded.highz, masks),
    )
    clash = np.flatnonzero((moved.care | moved.highz) & moved.enable)
    if len(clash):
        row = int(clash[0])
        complaints.error(
            "latency-on-driven-pin",
            Location(complaints.path, int(moved.line[row])),
            "a value that is due here by latency stands on a pin that this row drives",
            "release the pin until the value has been tested",
        )
    return moved


def _expand(pattern: Pattern, drain: int) -> Pattern:
    """One row a cycle, and ``drain`` more that repeat the last row's inputs and test nothing."""
    repeat = pattern.repeat.astype(np.int64)
    first = np.cumsum(repeat) - repeat
    source = np.concatenate(
        [np.repeat(np.arange(len(pattern)), repeat), np.full(drain, len(pattern) - 1)]
    )
    tested = np.ones(len(source), np.uint32)
    tested[len(source) - drain :] = 0
    return replace(
        pattern,
        drive=pattern.drive[source],
        enable=pattern.enable[source],
        pulse=pattern.pulse[source],
        expect=pattern.expect[source] * tested,
        care=pattern.care[source] * tested,
        highz=pattern.highz[source] * tested,
        repeat=np.ones(len(source), np.uint32),
        until=np.zeros(len(source), np.bool_),
        line=pattern.line[source],
        labels=_moved(pattern.labels, first),
        notes=_moved(pattern.notes, first),
    )


def _moved(texts: Mapping[int, str], first: np.ndarray[tuple[int], np.dtype[np.int64]]) -> RowTexts:
    assert isinstance(texts, RowTexts)
    return texts.moved(first)


def _shift(words: Words, masks: Mapping[int, int]) -> Words:
    """Move the bits of each latency's pins that many rows down."""
    late = 0
    for mask in masks.values():
        late |= mask
    moved = words & np.uint32(~late & 0xFFFF_FFFF)
    for cycles, mask in masks.items():
        moved[cycles:] |= words[:-cycles] & np.uint32(mask)
    return moved
