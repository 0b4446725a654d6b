"""Makes what was found small, as long as it does the same harm."""

from __future__ import annotations

import time

from tests.attack.attack import Attack
from tests.attack.worker import alike, try_case

SECONDS = 20.0
"""So long it is worth trying."""


def shrunk(kind: str, attack: Attack, case: bytes, finding: str) -> bytes:
    """Leave out pieces, large ones first, for as long as the finding stays alike."""
    wanted, end = alike(finding), time.monotonic() + SECONDS
    size = len(case) // 2
    while size:
        at = 0
        while at < len(case):
            if time.monotonic() > end:
                return case
            smaller = case[:at] + case[at + size :]
            if alike(try_case(kind, attack, smaller).finding) == wanted:
                case = smaller
            else:
                at += size
        size //= 2
    return case
