"""Damage as disks, transfers and careless hands do it."""

from __future__ import annotations

import random


def mutated(data: bytes, dice: random.Random) -> bytes:
    """Return bytes with some changed, removed, inserted, doubled or cut off."""
    for _ in range(dice.choice([1, 1, 2, 5])):
        at, size = dice.randrange(len(data) + 1), dice.choice([1, 1, 4, 100])
        old = data[at : at + size]
        new = dice.choice([b"", dice.randbytes(size), old * 2, bytes(len(old)), b"\x01" + old])
        tail = data[at + size :] if dice.random() < 0.9 else b""
        data = data[:at] + new + tail
    return data
