"""Reads ``[sensors]`` of a board profile: the board's measurements.

One rule: a sensor has a controller pin of its own, so that reading it disturbs no chip pin.
"""

from __future__ import annotations

from collections.abc import Mapping

from harness.board.profile_model import SupplySensor
from harness.shuttle import TomlTable, above_0, take_above_0

MAX_MA_PER_VOLT = 100_000.0
MAX_VOLT = 5.5


def read_supply_sensor(
    sensors: TomlTable | None, pins: Mapping[str, int], count: int
) -> SupplySensor | None:
    """Read ``supply = { pin = …, ma_per_volt = … }``; ``pins`` are the chip's.

    The controller has ``count`` pins. Returns None without a sensor, or after findings.
    """
    table = sensors.table("supply") if sensors is not None else None
    if table is None:
        return None
    slope = above_0(table, "ma_per_volt", table.take("ma_per_volt", float), MAX_MA_PER_VOLT)
    zero = table.take("zero_volt", float, SupplySensor.zero_volt)
    full = take_above_0(table, "full_volt", SupplySensor.full_volt, MAX_VOLT)
    pin = _pin(table, pins, count)
    if not 0 <= zero < full:
        _wrong(table, "zero_volt", zero, 'from 0 to less than "full_volt"')
    if pin is None or slope is None:
        return None
    return SupplySensor(pin, slope, zero, full)


def _pin(table: TomlTable, pins: Mapping[str, int], count: int) -> int | None:
    number = table.take("pin", int)
    if number is None:
        return None
    owner = next((name for name, wired in pins.items() if wired == number), "")
    if owner:
        table.error(
            "controller-pin-twice",
            "pin",
            f'controller pin {number} is already wired to "{owner}"',
            "give the sensor a controller pin of its own",
        )
    if not 0 <= number < count:
        _wrong(table, "pin", number, f"from 0 to {count - 1}")
    return number


def _wrong(table: TomlTable, key: str, value: float, wanted: str) -> None:
    table.error("out-of-range", key, f'"{key}" is {value:g}', f"write a number {wanted}")
