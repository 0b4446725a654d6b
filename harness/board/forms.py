"""The forms in which a plane can be sent, and the choice among them.

The choice is made by trial: the forms with the fewest changes are compressed, and the cheapest in
bytes and board work together is used. Pure: bytes in, bytes out.
"""

from __future__ import annotations

from dataclasses import dataclass

import lz4.block
import numpy as np
from numpy.typing import NDArray

from harness.agent import protocol

Plane = NDArray[np.uint8]
MAX_BACK = 255
"""Maximum distance of the row that a row is compared with."""
SHORTLIST = 2
"""Number of distances tried besides 1."""
SAMPLE = 512
"""Maximum number of rows by which distances are judged."""
STEP_COST = 0.04
TURN_COST = 0.01
MATCH_COST = 0.03
"""Costs of undoing a step (per vector), a turn (per vector and column) and matches (per byte of
output) on the board, relative to reading a byte: about 40, 10 and 30 of 1,000 cycles, estimated
from the loops."""


@dataclass(frozen=True)
class Form:
    """A mode of the protocol, and for XOR the distance in rows."""

    mode: int
    back: int = 0

    def apply(self, plane: Plane, width: int) -> bytes:
        """Return a plane, whose lowest ``width`` bits are in use, in this form."""
        steps = _steps(plane, self.mode & 3, self.back)
        head = bytes((self.mode, self.back))
        return head + (_turned(steps, width) if self.mode & protocol.TURNED else steps.tobytes())


def constant(level: int) -> bytes:
    """Return a plane in which every byte is ``level``."""
    return bytes((protocol.CONSTANT, level))


def choose(plane: Plane, width: int) -> Form:
    """Return the cheapest form of a plane."""
    backs = [1, *_distances(plane)]
    steps = [Form(protocol.SUB), *(Form(protocol.XOR, back) for back in backs)]
    likely = [Form(protocol.PLAIN), *steps]
    # Sums carry into columns that are not in use, and a turned plane has no bits there to undo it:
    # the board would look up words outside its table.
    turnable = [form for form in likely if width == 8 or form.mode != protocol.SUB]
    turned = [Form(form.mode | protocol.TURNED, form.back) for form in turnable]
    return min(likely + turned, key=lambda form: _cost(form, plane, width))


def _cost(form: Form, plane: Plane, width: int) -> float:
    work = STEP_COST if form.mode & 3 else 0.0
    work += TURN_COST * width if form.mode & protocol.TURNED else 0.0
    data = form.apply(plane, width)
    return min(len(data), _matched(data) + MATCH_COST * len(data)) + work * len(plane)


def _distances(plane: Plane) -> list[int]:
    """Return the distances at which the difference of rows changes least often."""
    count = min(len(plane), SAMPLE)
    padded = np.concatenate((np.zeros(MAX_BACK, np.uint8), plane))[-(count + MAX_BACK) :]
    earlier = np.lib.stride_tricks.sliding_window_view(padded, count)[:MAX_BACK]
    differences = earlier ^ padded[MAX_BACK:]
    changes = np.count_nonzero(differences[:, 1:] != differences[:, :-1], axis=1)
    nearest_first = changes[::-1]
    best = np.argsort(nearest_first[1:], kind="stable")[:SHORTLIST]
    return [int(k) + 2 for k in best if k + 2 < count]


def _steps(plane: Plane, mode: int, back: int) -> Plane:
    if mode == protocol.XOR:
        steps = plane.copy()
        steps[back:] ^= plane[:-back]
        return steps
    if mode == protocol.SUB:
        return np.diff(plane, prepend=np.uint8(0))
    return plane


def _turned(steps: Plane, width: int) -> bytes:
    """Return column after column, eight vectors to a byte, the first in the lowest bit."""
    bits = np.unpackbits(steps, bitorder="little").reshape(-1, 8)
    return np.packbits(bits.T[:width], axis=1, bitorder="little").tobytes()


def _matched(data: bytes) -> int:
    return len(lz4.block.compress(data, store_size=False))
