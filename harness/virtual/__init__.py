"""Boards and chips where there are none."""

import importlib
import typing

from harness.virtual.faults import BoardFault, ChipDefect, LinkFault, Within
from harness.virtual.models import check_models
from harness.virtual.rack import VirtualRack, seat_virtual_chip
from harness.virtual.spec import VirtualBoardSpec

if typing.TYPE_CHECKING:
    from harness.virtual.direct import DirectBoard

__all__ = [
    "BoardFault",
    "ChipDefect",
    "DirectBoard",
    "LinkFault",
    "VirtualBoardSpec",
    "VirtualRack",
    "Within",
    "check_models",
    "seat_virtual_chip",
]


def __getattr__(name: str) -> object:
    """Load a chip when one is first asked for: the compiler behind it is slow to load."""
    if name != "DirectBoard":
        message = f"module 'harness.virtual' has no attribute {name!r}"
        raise AttributeError(message)
    return importlib.import_module("harness.virtual.direct").DirectBoard


def __dir__() -> list[str]:
    return __all__
