"""Checks before anything is driven that a pattern fits in one burst of a board.

One rule: the agent's own plan decides, so that host and board cannot disagree.
"""

from __future__ import annotations

from array import array

from harness.agent import protocol
from harness.agent.backends import Backend
from harness.agent.buffers import words
from harness.agent.codec import Block
from harness.board.encode import block_rows, wire_fields
from harness.board.orders import Room
from harness.board.rates import row_words
from harness.errors import TableUnfit
from harness.table import Pattern

WANTS = "the table's gap_free requires one burst without a pause"


def check_gap_free(pattern: Pattern, room: Room, about: Backend) -> None:
    """Raise TableUnfit, with the limit, unless a board runs a pattern as a single burst."""
    if room.burst is None:
        raise TableUnfit(
            f'{WANTS}, but pins module "{about.name}" paces every cycle by software; run it on a '
            "board whose profile has a pins module with exact timing, or remove gap_free"
        )
    rows = block_rows(wire_fields(pattern), room.rows)
    if len(pattern) > rows:
        raise TableUnfit(
            f"{WANTS}, but it has {len(pattern):,} rows and this board takes at most "
            f"{rows:,}; use repeat, split the table, or remove gap_free"
        )
    plan = about.plan(_Memory(), room.burst.words, room.burst.captured - protocol.MAX_WINDOW)
    span = (len(pattern), row_words(pattern), 0, 0)
    row, _done = plan.lay_out(_block(pattern), (0, 0), words(1024), span)
    if row < len(pattern):
        raise TableUnfit(
            f"{WANTS}, but only its first {plan.cycles:,} cycles fit: at table line "
            f"{int(pattern.line[row])} {plan.why}; change the table, or remove gap_free"
        )


class _Memory:
    """Memory of the host in place of a board's; nothing runs from it."""

    def room(self, count: int) -> tuple[array[int], int]:
        return words(count), 0


def _block(pattern: Pattern) -> Block:
    block = Block(len(pattern))
    for name in protocol.FIELDS:
        column = getattr(pattern, name)
        memoryview(getattr(block, name))[:] = memoryview(column.astype("uint32"))
    for row in pattern.until.nonzero()[0]:
        block.repeat[int(row)] |= protocol.UNTIL
    return block
