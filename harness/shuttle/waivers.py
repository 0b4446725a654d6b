"""Reads ``[[waiver]]`` of a shuttle: known failures, each with an owner and an expiry date.

One rule: a waiver without an owner, without an expiry date or without a subject is an error.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date

from harness.shuttle.model import Design, Pin, Waiver
from harness.shuttle.serials import is_serial
from harness.shuttle.tomlfile import TomlTable, nearest


def read_waiver(
    table: TomlTable, designs: Mapping[str, Design], pins: Mapping[str, Pin], serial: str
) -> Waiver:
    """Read one waiver, with findings for subjects that do not exist.

    ``serial`` is the regular expression of chip serial numbers.
    """
    fault = table.take("fault", str, "")
    waiver = Waiver(
        design=table.text("design"),
        table=table.take("table", str, ""),
        chips=table.strings("chips") if "chips" in table or not fault else (),
        owner=table.text("owner"),
        reason=table.text("reason"),
        ticket=table.text("ticket"),
        expiry=table.take("expiry", date) or date.max,
        pin=table.take("pin", str, ""),
        fault=fault,
    )
    _check_expiry(table, waiver)
    _check_chips(table, waiver, serial)
    _check_fault(table, waiver)
    if waiver.design:
        _check_target(table, waiver, designs, pins)
    return waiver


def _check_expiry(table: TomlTable, waiver: Waiver) -> None:
    if waiver.expiry < date.today():
        table.findings.warn(
            "waiver-expired",
            table.location("expiry"),
            f"the waiver ended on {waiver.expiry}; its failures count as FAIL again",
            "fix the cause, or agree on a new date",
        )


def _check_chips(table: TomlTable, waiver: Waiver, serial: str) -> None:
    for index, chip in enumerate(waiver.chips):
        if not is_serial(serial, chip):
            message = f'"{chip}" is not a chip serial number of this shuttle ({serial})'
            table.error("bad-chip-serial", "chips", message, "correct the serial number", index)


def _check_fault(table: TomlTable, waiver: Waiver) -> None:
    for key in ("table", "chips", "pin"):
        if waiver.fault and getattr(waiver, key):
            message = f"a fault of a design's gates is waived whatever the {key}"
            table.error("waiver-of-fault", key, message, f"remove {key}, or fault")


def _check_target(
    table: TomlTable, waiver: Waiver, designs: Mapping[str, Design], pins: Mapping[str, Pin]
) -> None:
    design = designs.get(waiver.design)
    _check_known(table, "design", waiver.design, designs, "there is no design")
    if design is None:
        return
    names = [spec.name for spec in design.tables]
    _check_known(table, "table", waiver.table, names, f'design "{design.name}" has no table')
    known = [*pins, *design.signals_by_name]
    _check_known(table, "pin", waiver.pin, known, "there is no pin or signal")


def _check_known(
    table: TomlTable, key: str, name: str, known: Collection[str], missing: str
) -> None:
    if name and name not in known:
        table.error("waiver-of-unknown", key, f'{missing} "{name}"', nearest(name, known))
