"""What is known of the chip in a slot, before and after its board has answered.

One rule: who a board is comes from its own words; until then the rack file's are all there is.
"""

from __future__ import annotations

from dataclasses import replace

from harness.board import BoardIdentity
from harness.link import shown_address
from harness.rack.model import Slot
from harness.records import ChipRecord


def unreached(slot: Slot) -> ChipRecord:
    """Make the record of a chip whose board has not answered yet."""
    return ChipRecord(
        slot=slot.name,
        chip_serial=slot.chip,
        board_serial=slot.board,
        port=shown_address(slot.port),
        virtual=slot.virtual,
        agent_version="",
        interpreter="",
        backend="",
        exact=False,
        trouble="",
        outcomes=(),
    )


def answered(record: ChipRecord, who: BoardIdentity) -> ChipRecord:
    """Put into a record who answered; everything else stays."""
    return replace(
        record,
        board_serial=who.board_serial,
        agent_version=who.agent_version,
        interpreter=who.interpreter,
        backend=who.backend,
        exact=who.exact,
    )
