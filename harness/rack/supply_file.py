"""Reads ``[supply]`` of a rack file: the bench supply that feeds the rack's chips.

One rule: how far its voltage may go stands in the board profile, never here; a supply without
limits, or with a nominal voltage outside of them, is refused.
"""

from __future__ import annotations

import math

from harness.board import BoardProfile
from harness.link import names_user, shown_address
from harness.shuttle import TomlTable
from harness.supply import Limits, SupplySpec

MOST_SETTLE_S = 60.0
MOST_TOLERANCE_V = 1.0
LEAST_BAUD, MOST_BAUD = 300, 3_000_000


def read_supply(top: TomlTable, profile: BoardProfile | None) -> SupplySpec | None:
    """Read the table; None if there is none, or, after findings, if it cannot be used."""
    table = top.maybe_table("supply")
    if table is None:
        return None
    port, volts = table.take("port", str), table.take("volts", float)
    baud = table.take("baud", int, SupplySpec.baud)
    settle = _positive(table, "settle_s", SupplySpec.settle_s, MOST_SETTLE_S)
    tolerance = _positive(table, "tolerance_v", SupplySpec.tolerance_v, MOST_TOLERANCE_V)
    if not LEAST_BAUD <= baud <= MOST_BAUD:
        advice = f"write a number from {LEAST_BAUD:,} to {MOST_BAUD:,}"
        table.error("out-of-range", "baud", f'"baud" is {baud}', advice)
    if port is not None:
        _check_port(table, port)
    if profile is None or port is None or volts is None:
        return None
    limits = _limits(table, profile)
    if limits is None or not _within(table, volts, limits):
        return None
    return SupplySpec(port, volts, limits, baud, settle, tolerance)


def _check_port(table: TomlTable, port: str) -> None:
    if not port.strip():
        table.error("empty-text", "port", '"port" is empty', "name the supply's port")
    elif names_user(port):
        message = "the port has a user name or password in it, which no kind of port uses"
        table.error("login-in-port", "port", message, f'write "{shown_address(port)}"')


def _limits(table: TomlTable, profile: BoardProfile) -> Limits | None:
    if profile.supply_min_v is None or profile.supply_max_v is None:
        table.error(
            "supply-without-limits",
            "",
            f"{profile.path.name} does not say which voltages chip and board can stand",
            'write "supply_min_v" and "supply_max_v" there, from their data sheets',
        )
        return None
    amperes = profile.supply_limit_ma / 1000
    return Limits(profile.supply_min_v, profile.supply_max_v, amperes, profile.path)


def _within(table: TomlTable, volts: float, limits: Limits) -> bool:
    inside = limits.low_v <= volts <= limits.high_v
    if not inside:
        table.error(
            "voltage-outside-limits",
            "volts",
            f'"volts" is {volts:g}, and {limits.path.name} allows {limits.low_v:g} to '
            f"{limits.high_v:g} V",
            "write the nominal voltage of chip and board",
        )
    return inside


def _positive(table: TomlTable, key: str, default: float, most: float) -> float:
    value = table.take(key, float, default)
    if not math.isfinite(value) or not 0 < value <= most:
        advice = f"write a number above 0, at most {most:g}"
        table.error("out-of-range", key, f'"{key}" is {value}', advice)
        return default
    return value
