"""Boards and chips where there are none."""

from harness.virtual.faults import (
    BitErrors,
    BoardFault,
    ChipDefect,
    DroppedBytes,
    Hang,
    LinkFault,
    NetBridge,
    NetStuck,
    NoClock,
    OpenPin,
    OutputStuck,
    SlowPath,
    Stall,
    SwappedPins,
    Unplug,
)
from harness.virtual.models import check_models
from harness.virtual.rack import VirtualRack, seat_virtual_chip
from harness.virtual.spec import VirtualBoardSpec

__all__ = [
    "BitErrors",
    "BoardFault",
    "ChipDefect",
    "DroppedBytes",
    "Hang",
    "LinkFault",
    "NetBridge",
    "NetStuck",
    "NoClock",
    "OpenPin",
    "OutputStuck",
    "SlowPath",
    "Stall",
    "SwappedPins",
    "Unplug",
    "VirtualBoardSpec",
    "VirtualRack",
    "check_models",
    "seat_virtual_chip",
]
