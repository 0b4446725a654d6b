# What ``harness.virtual`` shows, and where each name comes from.

from .direct import DirectBoard
from .faults import BoardFault, ChipDefect, LinkFault, Within
from .ideal import IdealBoard, ideal_profile
from .models import check_models
from .rack import VirtualRack, seat_virtual_chip
from .spec import VirtualBoardSpec

__all__ = [
    "BoardFault",
    "ChipDefect",
    "DirectBoard",
    "IdealBoard",
    "LinkFault",
    "VirtualBoardSpec",
    "VirtualRack",
    "Within",
    "check_models",
    "ideal_profile",
    "seat_virtual_chip",
]
