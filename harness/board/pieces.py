"""A run in pieces, so that more words come back than a board keeps in one run.

One rule: a piece begins a new count on the board and touches no pin, so the chip sees one run, with
a pause of its clock between pieces.
"""

from __future__ import annotations

import zlib
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from harness.agent import protocol
from harness.board.capture import Mismatch
from harness.board.encode import encode_pattern
from harness.board.orders import Answers, Order, Room, run_orders
from harness.table import Cycles, Pattern


@dataclass(frozen=True, eq=False)
class Piece:
    """Consecutive cycles of a pattern, from cycle ``first`` on, and the answers about them.

    ``rows`` has the pattern's row of each row here; ``done`` counts the repetitions of the first
    of them that ran before. ``keeps`` says whether all words come back.
    """

    pattern: Pattern
    rows: Sequence[int]
    first: int
    done: int
    keeps: bool
    answers: Answers = field(default_factory=Answers)

    def orders(self, room: Room, manner: int) -> Iterator[Order]:
        """Run the piece, never by way of the shelf: no other run has the same pieces."""
        window = (0, protocol.MAX_WINDOW if self.keeps else 0)
        for order in run_orders(self.pattern, room, self.answers, window, manner, encode_pattern):
            yield replace(order, done=order.done and order.done + self.first)


def pieces_of(pattern: Pattern, window: Cycles) -> list[Piece]:
    """Cut a pattern without ``until`` rows so that each piece's part of the window fits."""
    first, stop = window[0], min(window[1], pattern.cycles)
    inside = [*range(first, stop, protocol.MAX_WINDOW), stop]
    whole, rows = pattern.split(inside)
    starts = np.cumsum(whole.repeat, dtype=np.int64) - whole.repeat
    begun = np.cumsum(pattern.repeat, dtype=np.int64) - pattern.repeat
    cuts = np.unique(np.searchsorted(starts, [0, *inside, pattern.cycles])).tolist()
    return [
        Piece(
            whole.rows(a, b),
            rows[a:b].tolist(),
            int(starts[a]),
            int(starts[a] - begun[rows[a]]),
            first <= starts[a] < stop,
        )
        for a, b in pairwise(cuts)
    ]


def joined(pieces: Sequence[Piece]) -> Answers:
    """Add up the answers about all pieces, in the pattern's rows and cycles.

    The signature can be compared with that of a run in the same pieces only.
    """
    parts = [piece.answers for piece in pieces]
    counts: Counter[int] = Counter()
    signature = 0
    for part in parts:
        counts.update(part.pin_counts)
        signature = zlib.crc32(part.signature.to_bytes(4, "little"), signature)
    return Answers(
        period=parts[0].period,
        took=sum(part.took for part in parts),
        mismatches=[bad for piece in pieces for bad in _placed(piece)][: protocol.MAX_KEPT],
        window=[
            (piece.rows[row], cycle + piece.first, seen, floating)
            for piece in pieces
            for row, cycle, seen, floating in piece.answers.window
        ],
        cycles=sum(part.cycles for part in parts),
        mismatch_count=sum(part.mismatch_count for part in parts),
        signature=signature,
        gaps=sum(part.gaps for part in parts) + len(parts) - 1,
        pin_counts=dict(counts),
    )


def _placed(piece: Piece) -> Iterator[Mismatch]:
    for bad in piece.answers.mismatches:
        yield replace(
            bad,
            cycle=bad.cycle + piece.first,
            row=piece.rows[bad.row],
            pass_=bad.pass_ + (piece.done if bad.row == 0 else 0),
        )
