"""A bench supply: its address, and the limits within which it may be used.

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
    """Limits that must never be left, in V and A, and the file that sets them."""

    low_v: float
    high_v: float
    current_a: float
    path: Path


@dataclass(frozen=True)
class SupplySpec:
    """The bench supply of a rack.

    ``port`` is a device, a pyserial URL, or ``virtual``. ``volts`` is the nominal voltage: a sweep
    of the voltage sets it at the beginning and again at the end; nothing else sets or reads a
    voltage. The measured voltage must come within ``tolerance_v`` of the setting within
    ``settle_s``.
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
