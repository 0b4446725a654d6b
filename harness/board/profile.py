"""Reads a board profile: how the chip's pins are wired, and how a design is selected.

One rule: a profile is checked against its shuttle, so that a missing or doubled connection is
found before anything is driven.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from pathlib import Path

from harness.agent.backends import BACKENDS, Backend, backend, best_backend, pins_of
from harness.board.profile_model import BoardProfile
from harness.board.select import read_select
from harness.board.sensor_file import read_supply_sensor
from harness.door import whole_path
from harness.errors import ConfigError, Finding, Findings
from harness.shuttle import Shuttle, TomlTable, above_0, nearest, read_toml, take_above_0

MIN_IN_FLIGHT = 2048
MAX_IN_FLIGHT = 1 << 20
MAX_BAUD = 12_000_000
MAX_RATE_HZ = 200e6
MAX_ROUND_TRIP_NS = 10_000
MAX_SUPPLY_MA = 5_000.0
MAX_SUPPLY_V = 30.0
LIMIT_DIGITS = 3
"""Decimals of a limit in V: one fewer than a supply is sent, so that a limit itself can be set."""

_USB = re.compile(r"([0-9a-fA-F]{4}):([0-9a-fA-F]{4})")


def load_profile(path: Path, shuttle: Shuttle) -> BoardProfile:
    """Return the board profile of a TOML file, checked against a shuttle.

    Raises :class:`ConfigError` with every finding when any is an error.
    """
    return ConfigError.unless_sound(*check_profile(path, shuttle))


def check_profile(path: Path, shuttle: Shuttle) -> tuple[BoardProfile | None, list[Finding]]:
    """Read a board profile; return it with its findings, in file order.

    The profile is None if any finding is an error.
    """
    findings = Findings()
    top = read_toml(path, findings)
    profile = _profile(top, shuttle) if top is not None else None
    return (None if findings.errors else profile), findings.in_order


def _profile(top: TomlTable, shuttle: Shuttle) -> BoardProfile | None:
    name, controller = top.text("name"), top.text("controller")
    about, why = _backend(top, controller)
    pins = _pins(top.table("pins"), shuttle, about)
    select = read_select(top.table("select"), shuttle)
    baud = _whole(top, "baud", 115_200, 300, MAX_BAUD)
    dtr, rts = (top.take(key, bool) if key in top else None for key in ("dtr", "rts"))
    in_flight = _whole(top, "in_flight", BoardProfile.in_flight, MIN_IN_FLIGHT, MAX_IN_FLIGHT)
    limit = take_above_0(top, "supply_limit_ma", BoardProfile.supply_limit_ma, MAX_SUPPLY_MA)
    lowest, highest = _voltages(top)
    rate = take_above_0(top, "max_rate_hz", about.rate_hz, MAX_RATE_HZ)
    round_trip = _whole(top, "round_trip_ns", BoardProfile.round_trip_ns, 0, MAX_ROUND_TRIP_NS)
    usb = _usb(top)
    sensor = read_supply_sensor(top.maybe_table("sensors"), pins, pins_of(controller))
    top.finish()
    if select is None:
        return None
    return BoardProfile(
        name=name,
        controller=controller,
        pins=pins,
        select=select,
        path=whole_path(top.path),
        sha256=top.sha256,
        backend=about.name,
        chosen=why,
        baud=baud,
        dtr=dtr,
        rts=rts,
        in_flight=in_flight,
        supply_limit_ma=limit,
        usb=usb,
        max_rate_hz=rate,
        round_trip_ns=round_trip,
        supply_sensor=sensor,
        supply_min_v=lowest,
        supply_max_v=highest,
    )


def _voltages(top: TomlTable) -> tuple[float | None, float | None]:
    """Read the supply voltages allowed for chip and board: both keys, or neither."""
    keys = ("supply_min_v", "supply_max_v")
    if not any(key in top for key in keys):
        return None, None
    low, high = (above_0(top, key, top.take(key, float), MAX_SUPPLY_V) for key in keys)
    _check_digits(top, keys[0], low, math.ceil)
    _check_digits(top, keys[1], high, math.floor)
    if low is not None and high is not None and low >= high:
        top.error(
            "out-of-range",
            "supply_max_v",
            f'"supply_max_v" is {high:g}, not above "supply_min_v"',
            "write the lowest and the highest voltage allowed for chip and board",
        )
    return low, high


def _check_digits(
    top: TomlTable, key: str, value: float | None, safe: Callable[[float], int]
) -> None:
    """Refuse a limit finer than can be set; ``safe`` rounds to the safe side of it."""
    if value is None or not 0 < value <= MAX_SUPPLY_V or value == round(value, LIMIT_DIGITS):
        return
    whole = 10**LIMIT_DIGITS
    top.error(
        "out-of-range",
        key,
        f'"{key}" is {value}, with more than {LIMIT_DIGITS} decimals',
        f"write whole millivolts, such as {safe(value * whole) / whole:g}",
    )


def _backend(top: TomlTable, controller: str) -> tuple[Backend, str]:
    """Return the backend, and why the tool chose it; empty if the profile names it."""
    if "backend" not in top and controller:
        return _best_backend(top, controller)
    name = top.take("backend", str, BoardProfile.backend)
    if name not in BACKENDS:
        top.error(
            "unknown-backend",
            "backend",
            f'the agent has no pins module "{name}"',
            nearest(name, BACKENDS),
        )
        return backend(BoardProfile.backend, controller), ""
    about = backend(name, controller)
    if about.controllers and controller not in about.controllers:
        top.error(
            "wrong-controller",
            "backend",
            f'pins module "{name}" is not for a controller "{controller}", only for '
            + ", ".join(about.controllers),
            'correct "controller", or write backend = "generic"',
        )
    return about, ""


def _best_backend(top: TomlTable, controller: str) -> tuple[Backend, str]:
    """Choose for a profile that names no backend, and note why."""
    about = backend(best_backend(controller), controller)
    if about.controllers:
        how = "hardware times its cycles" if about.exact else "it is the fastest of those"
        why, advice = (
            f"it is made for the {controller}, and {how}",
            'write "backend" to choose another',
        )
    else:
        known = sorted({one for name in BACKENDS for one in backend(name).controllers})
        why = f'nothing faster is made for controller "{controller}"'
        advice = f"the others are made for {', '.join(known)}"
    message = f'this profile names no backend, so "{about.name}" drives the pins: {why}'
    top.findings.note("backend-chosen", top.location("controller"), message, advice)
    return about, why


def _whole(top: TomlTable, key: str, default: int, least: int, most: int) -> int:
    value = top.take(key, int, default)
    if not least <= value <= most:
        top.error(
            "out-of-range",
            key,
            f'"{key}" is {value}',
            f"write a number from {least:,} to {most:,}",
        )
    return value


def _usb(top: TomlTable) -> tuple[tuple[int, int], ...]:
    """Read ``usb = ["vvvv:pppp"]``, vendor and product in hex."""
    ids: list[tuple[int, int]] = []
    for index, text in enumerate(top.strings("usb", ())):
        match = _USB.fullmatch(text)
        if match:
            ids.append((int(match[1], 16), int(match[2], 16)))
        else:
            top.findings.error(
                "bad-usb-id",
                top.location("usb", index),
                f'"{text[:40]}" is not a USB vendor and product number',
                'write four hex digits each, such as "12ab:00ff"; `harness ports` shows them',
            )
    return tuple(ids)


def _pins(table: TomlTable | None, shuttle: Shuttle, about: Backend) -> dict[str, int]:
    """Read ``[pins]``, which must give every pin of the shuttle a controller pin of its own."""
    if table is None:
        return {}
    pins: dict[str, int] = {}
    for name in table:
        number = table.take(name, int)
        if name not in shuttle.pins_by_name:
            table.error(
                "unknown-pin",
                name,
                f'{shuttle.name} has no pin "{name}"',
                nearest(name, shuttle.pins_by_name),
            )
        elif number is not None and _is_pin(table, name, number, about.pins):
            pins[name] = number
    _check_wired_once(table, pins)
    _check_within_a_window(table, pins, about)
    _check_all_wired(table, shuttle)
    return pins


def _is_pin(table: TomlTable, name: str, number: int, count: int) -> bool:
    if 0 <= number < count:
        return True
    table.error(
        "bad-controller-pin",
        name,
        f'"{name}" is on controller pin {number}',
        f"write a number from 0 to {count - 1}",
    )
    return False


def _check_within_a_window(table: TomlTable, pins: dict[str, int], about: Backend) -> None:
    """Find the pins outside the window that holds most of them."""
    outside = [
        [name for name, number in pins.items() if not first <= number <= last]
        for first, last in about.windows
    ]
    for name in min(outside, key=len, default=[]):
        windows = " or ".join(f"{first} to {last}" for first, last in about.windows)
        table.error(
            "bad-controller-pin",
            name,
            f'"{name}" is on controller pin {pins[name]}, which pins module "{about.name}" cannot '
            "reach together with the other pins",
            f"wire all pins to {windows}",
        )


def _check_wired_once(table: TomlTable, pins: dict[str, int]) -> None:
    owner: dict[int, str] = {}
    for name, number in pins.items():
        if number in owner:
            table.error(
                "controller-pin-twice",
                name,
                f'controller pin {number} is already wired to "{owner[number]}"',
                "give each chip pin a controller pin of its own",
            )
        owner.setdefault(number, name)


def _check_all_wired(table: TomlTable, shuttle: Shuttle) -> None:
    missing = [pin.name for pin in shuttle.pins if pin.name not in table]
    if missing:
        names = ", ".join(f'"{name}"' for name in missing)
        table.findings.error(
            "pin-not-wired",
            table.location(),
            f"[pins] has no entry for {names}",
            "write the controller pin of every pin of the shuttle",
        )
