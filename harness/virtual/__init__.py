"""Boards and chips where there are none."""

from harness.virtual.faults import BoardFault, ChipDefect, LinkFault, Within
from harness.virtual.models import check_models
from harness.virtual.rack import VirtualRack, seat_virtual_chip
from harness.virtual.spec import VirtualBoardSpec

__all__ = [
    "BoardFault",
    "ChipDefect",
    "LinkFault",
    "VirtualBoardSpec",
    "VirtualRack",
    "Within",
    "check_models",
    "seat_virtual_chip",
]
