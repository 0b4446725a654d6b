"""Mismatches that are no evidence: those after a row that waited for a pin that nothing drives.

One rule: such a row ends at any cycle, and from there on chip and table are out of step. What is
left are the mismatches before it, and the pins that nothing drives.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from functools import reduce
from operator import or_

import numpy as np

from harness.board import Capture
from harness.table import Pattern, bits


def void_from(pattern: Pattern, undriven: int) -> int | None:
    """Return the first row that waits for one of these pins; None without any."""
    waits = pattern.until & ((pattern.care & np.uint32(undriven)) != 0)
    return int(np.argmax(waits)) if waits.any() else None


def without_void(capture: Capture, row: int, wrong: int) -> Capture:
    """Return a capture without the mismatches from this row on.

    The board keeps the first mismatches only. If all of those are before the row, the pins in them
    stay as they were counted, and so do those of ``wrong``, which were wrong before the row when
    words were read back. The signature is 0: it has the bits after the row too.
    """
    kept = tuple(bad for bad in capture.mismatches if bad.row < row)
    valid = replace(capture, mismatches=kept, signature=0)
    if kept and len(kept) == len(capture.mismatches) < capture.mismatch_count:
        wrong = reduce(or_, (bad.wrong for bad in kept), wrong)
        counts = {bit: n for bit, n in capture.pin_counts.items() if wrong >> bit & 1}
        return replace(valid, pin_counts=counts)
    pins = Counter(bit for bad in kept for bit in bits(bad.wrong))
    return replace(valid, mismatch_count=len(kept), pin_counts=dict(pins))
