"""Boards and chips where there are none."""

import importlib
import typing

from harness.virtual.faults import BoardFault, ChipDefect, LinkFault, Within
from harness.virtual.models import check_models
from harness.virtual.rack import VirtualRack, seat_virtual_chip
from harness.virtual.spec import VirtualBoardSpec

if typing.TYPE_CHECKING:
    from harness.virtual.direct import DirectBoard
    from harness.virtual.ideal import IdealBoard, ideal_profile

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

_SLOW = {"DirectBoard": "direct", "IdealBoard": "ideal", "ideal_profile": "ideal"}


def __getattr__(name: str) -> object:
    """Load a chip when one is first asked for: the compiler behind it is slow to load."""
    if name not in _SLOW:
        message = f"module 'harness.virtual' has no attribute {name!r}"
        raise AttributeError(message)
    return getattr(importlib.import_module(f"harness.virtual.{_SLOW[name]}"), name)


def __dir__() -> list[str]:
    return __all__
