"""Reads sections of a rack file: recovery of boards, the bench supply, nights.

One rule: an unusable value is found when the file is read, not at night. A supply without the
limits of chip and board is refused, because nothing would keep a voltage from harming them.
"""

from __future__ import annotations

from harness.board import BoardProfile
from harness.link import names_user, shown_address
from harness.rack.model import PATIENCE_S
from harness.rack.power import PowerCycle
from harness.shuttle import Shuttle, TomlTable, nearest, take_above_0, take_up_to
from harness.supply import Limits, SupplySpec

MAX_SECONDS = 3600
MAX_SETTLE_S = 60.0
MAX_TOLERANCE_V = 1.0
MIN_BAUD, MAX_BAUD = 300, 3_000_000
LOGIN = "the port contains a user name or password, which no kind of port uses"

Recovery = tuple[PowerCycle, float]
"""How a board's power is cycled, if at all, and how many seconds a board has to recover."""

USUAL: Recovery = (PowerCycle(()), PATIENCE_S)
"""The defaults of a rack file."""


def check_address(table: TomlTable, port: str) -> None:
    """Refuse a login in a URL: nothing would use it, and the file would show it to everyone."""
    if names_user(port):
        table.error("login-in-port", "port", LOGIN, f'write "{shown_address(port)}"')


def read_night_margins(top: TomlTable, shuttle: Shuttle | None) -> tuple[str, ...]:
    """Read the designs whose margin a night searches; unknown ones leave findings."""
    table = top.maybe_table("nightly")
    if table is None:
        return ()
    names = table.strings("margin", ())
    known = [] if shuttle is None else [design.name for design in shuttle.designs]
    for name in names:
        if shuttle is not None and name not in known:
            message = f'{shuttle.name} has no design "{name}"'
            table.error("unknown-design", "margin", message, nearest(name, known))
    return tuple(dict.fromkeys(names))


def read_recovery(table: TomlTable, usual: Recovery) -> Recovery:
    """Read a table's keys, with ``usual`` as defaults; invalid ones leave findings.

    A key at the top applies to every slot, one in a slot to that slot.
    """
    power, patience_s = usual
    power = PowerCycle(
        _command(table, power.command),
        take_up_to(table, "power_cycle_timeout_s", power.timeout_s, MAX_SECONDS),
        take_up_to(table, "power_cycle_wait_s", power.wait_s, MAX_SECONDS),
    )
    return power, take_up_to(table, "patience_s", patience_s, MAX_SECONDS)


def _command(table: TomlTable, usual: tuple[str, ...]) -> tuple[str, ...]:
    """Read a list of words; an empty list means no command."""
    if isinstance(table.values.get("power_cycle"), str):
        message = '"power_cycle" is a single text, and no shell splits it'
        advice = 'write a list of words: ["program", "argument"]'
        table.error("wrong-type", "power_cycle", message, advice)
    words = table.strings("power_cycle", usual)
    if words and not words[0].strip():
        table.error("empty-text", "power_cycle", "the first word is empty", "name a program")
    return words


def read_supply(top: TomlTable, profile: BoardProfile | None) -> SupplySpec | None:
    """Read the bench supply; None if there is none or, with findings, if it is invalid."""
    table = top.maybe_table("supply")
    if table is None:
        return None
    port, volts = table.take("port", str), table.take("volts", float)
    baud = table.take("baud", int, SupplySpec.baud)
    settle = take_above_0(table, "settle_s", SupplySpec.settle_s, MAX_SETTLE_S)
    tolerance = take_above_0(table, "tolerance_v", SupplySpec.tolerance_v, MAX_TOLERANCE_V)
    if not MIN_BAUD <= baud <= MAX_BAUD:
        advice = f"write a number from {MIN_BAUD:,} to {MAX_BAUD:,}"
        table.error("out-of-range", "baud", f'"baud" is {baud}', advice)
    if port is not None and not port.strip():
        table.error("empty-text", "port", '"port" is empty', "name the supply's port")
    check_address(table, port or "")
    if profile is None or port is None or volts is None:
        return None
    limits = _limits(table, profile)
    if limits is None or not _within(table, volts, limits):
        return None
    return SupplySpec(port, volts, limits, baud, settle, tolerance)


def _limits(table: TomlTable, profile: BoardProfile) -> Limits | None:
    if profile.supply_min_v is None or profile.supply_max_v is None:
        table.error(
            "supply-without-limits",
            "",
            f"{profile.path.name} does not say which voltages chip and board tolerate",
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
