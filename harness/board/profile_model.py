"""What a board is: which controller pin is which chip pin, and how a design is selected.

Values only. Reading them from TOML is the business of the reader beside this file.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from harness.agent.backends import Backend, backend
from harness.board.select import SelectMethod

FULL_SCALE = 0xFFFF
"""The highest reading (MicroPython, ``machine.ADC.read_u16``)."""


@dataclass(frozen=True)
class SupplySensor:
    """An analogue controller pin that tells the chip's supply current.

    ``ma_per_volt`` is the slope, ``zero_volt`` what the pin sees without current, ``full_volt``
    what the converter calls full scale.
    """

    pin: int
    ma_per_volt: float
    zero_volt: float = 0.0
    full_volt: float = 3.3

    def milliamperes(self, reading: int) -> float:
        """Turn a reading (0 to 65535) into mA; noise below zero is zero."""
        volts = reading / FULL_SCALE * self.full_volt
        return max(0.0, (volts - self.zero_volt) * self.ma_per_volt)

    def reading(self, milliamperes: float) -> int:
        """Give the reading that a current makes; beyond full scale there is none higher."""
        volts = milliamperes / self.ma_per_volt + self.zero_volt
        return min(FULL_SCALE, max(0, round(volts / self.full_volt * FULL_SCALE)))


@dataclass(frozen=True)
class BoardProfile:
    """A kind of board.

    ``pins`` maps chip pin names to controller pin numbers. ``backend`` names the agent's pins
    module. ``baud`` counts only on boards with a UART
    bridge; ``dtr`` and ``rts`` are the levels of the port's control lines, None as the system
    leaves them. ``in_flight`` is how many bytes may be in flight to the board.
    ``usb`` lists (vendor, product) ids by which discovery knows such a board.
    ``max_rate_hz`` is the fastest vector rate that the profile's author promises.
    ``round_trip_ns`` is what the way from the controller to the chip and back takes, without the
    chip: an exact sample point is counted at the chip's pins.
    ``supply_min_v`` and ``supply_max_v`` are the voltages between which chip and board may be
    supplied, None where the profile's author did not say. ``supply_sensor`` is None on a
    board that cannot measure what the chip draws.
    """

    name: str
    controller: str
    pins: Mapping[str, int]
    select: SelectMethod
    path: Path
    sha256: str
    backend: str = "generic"
    baud: int = 115_200
    dtr: bool | None = None
    rts: bool | None = None
    in_flight: int = 16_384
    supply_limit_ma: float = 200.0
    usb: tuple[tuple[int, int], ...] = ()
    max_rate_hz: float = 100_000.0
    round_trip_ns: int = 8
    supply_sensor: SupplySensor | None = None
    supply_min_v: float | None = None
    supply_max_v: float | None = None

    @property
    def about(self) -> Backend:
        """What the pins module can do."""
        return backend(self.backend)
