"""The profile of a board: how the chip's pins are wired, and how a design is selected.

Values only; ``profile`` beside this file reads them from TOML.
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
    """An analogue controller pin that measures the chip's supply current.

    ``ma_per_volt`` is the slope, ``zero_volt`` the voltage of the pin without current,
    ``full_volt`` the voltage of a full-scale reading.
    """

    pin: int
    ma_per_volt: float
    zero_volt: float = 0.0
    full_volt: float = 3.3

    def milliamperes(self, reading: int) -> float:
        """Convert a reading (0 to 65535) to mA; noise below zero is zero."""
        volts = reading / FULL_SCALE * self.full_volt
        return max(0.0, (volts - self.zero_volt) * self.ma_per_volt)

    def reading(self, milliamperes: float) -> int:
        """Convert a current to its reading, at most full scale."""
        volts = milliamperes / self.ma_per_volt + self.zero_volt
        return min(FULL_SCALE, max(0, round(volts / self.full_volt * FULL_SCALE)))


@dataclass(frozen=True)
class BoardProfile:
    """A kind of board.

    ``pins`` maps chip pin names to controller pin numbers. ``backend`` names the agent's pins
    module; ``chosen`` says why the tool chose it, empty if the profile names it. ``baud`` matters
    only on boards with a UART bridge; ``dtr`` and ``rts`` are the levels of the port's control
    lines, None to leave the system's. ``in_flight`` is the maximum number of bytes in flight to the
    board. ``usb`` lists the (vendor, product) ids of such boards.
    ``max_rate_hz`` is the fastest vector rate that the profile allows. ``round_trip_ns`` is the
    delay from the controller to the chip and back, without the chip: an exact sample point is
    counted at the chip's pins. ``supply_min_v`` and ``supply_max_v`` are the supply voltages
    allowed for chip and board, None if the profile has none. ``supply_sensor`` is None on a board
    that cannot measure the chip's current.
    """

    name: str
    controller: str
    pins: Mapping[str, int]
    select: SelectMethod
    path: Path
    sha256: str
    backend: str = "generic"
    chosen: str = ""
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
        """The abilities of the pins module."""
        return backend(self.backend, self.controller)

    @property
    def driven_text(self) -> str:
        """Say what drives the pins, and how or why."""
        how = "hardware times its cycles" if self.about.exact else "software paces its cycles"
        return f'pins by "{self.backend}": {self.chosen or how}'
