"""What a bench supply is to this tool: where it is, and between which limits it may be used.

Values only.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

BAUD = 9600
"""Usual speed of a supply's serial port: common practice, no source."""

SETTLE_S = 2.0
TOLERANCE_V = 0.05


@dataclass(frozen=True)
class Limits:
    """What must never be left, in V and A, and the file and keys that say so.

    ``low_key`` and ``high_key`` are what messages name.
    """

    low_v: float
    high_v: float
    current_a: float
    path: Path
    low_key: str = "supply_min_v"
    high_key: str = "supply_max_v"


@dataclass(frozen=True)
class SupplySpec:
    """The bench supply of a rack.

    ``port`` is a device, a pyserial URL, or ``virtual``. ``volts`` is the nominal voltage: a sweep
    of the voltage sets it at its begin and again at its end, everything else neither sets nor reads
    any. The measured voltage must come within ``tolerance_v`` of what was set, and it has
    ``settle_s`` to do so.
    """

    port: str
    volts: float
    limits: Limits
    baud: int = BAUD
    settle_s: float = SETTLE_S
    tolerance_v: float = TOLERANCE_V


@dataclass(frozen=True)
class Reading:
    """What the supply measures at its terminals."""

    volts: float
    amperes: float
