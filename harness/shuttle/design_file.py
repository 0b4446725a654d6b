"""Reads ``design.toml``: the address, signals and tables of one design.

One rule: nothing here looks at another design; the shuttle reader checks what must hold between
designs (addresses, names).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

from harness.door import whole_path
from harness.errors import Findings, netlist_advice
from harness.shuttle.checks import existing_file, out_of_range, take_rate, take_up_to
from harness.shuttle.made_from import read_made_from
from harness.shuttle.model import Bus, Design, Pin, TableSpec
from harness.shuttle.names import bad_name, is_name, take_top
from harness.shuttle.serial_interfaces import read_serial_interfaces
from harness.shuttle.signals import read_signals
from harness.shuttle.tomlfile import TomlTable, nearest, read_toml

MAX_ADDRESS = 65_535
MAX_RESET_CYCLES = 1_000_000
MAX_LATENCY = 1_000
MAX_SETTLE_US = 1_000_000
INTENDED = "intended"


@dataclass(frozen=True)
class DesignFile:
    """A design and its file, so that findings about several designs have a place."""

    design: Design
    top: TomlTable


def read_design(
    path: Path, pins: Mapping[str, Pin], within: Path, findings: Findings
) -> DesignFile | None:
    """Read a design file; None after findings if it is not TOML.

    The files that it names are in the folder ``within`` or below.

    A design with errors is returned with the parts that could be read.
    """
    top = read_toml(path, findings)
    if top is None:
        return None
    name = top.text("name")
    if name and not is_name(name):
        bad_name(top, top.location("name"), name)
    clock_hz = take_rate(top, "clock_hz")
    signals = read_signals(top.table("signals"), pins)
    design = Design(
        name=name,
        title=top.text("title"),
        author=top.take("author", str, ""),
        address=_address(top),
        source=top.text("source"),
        clock_hz=clock_hz,
        folder=whole_path(path.parent),
        signals=signals,
        tables=_tables(top, within, clock_hz, signals),
        top=take_top(top, name),
        verilog=_verilog(top, within),
        netlist=_netlist(top, within, name),
        serial=read_serial_interfaces(top.maybe_table("serial"), signals),
    )
    top.finish()
    return DesignFile(design, top)


def _address(top: TomlTable) -> int:
    address = top.take("address", int)
    if address is not None and not 0 <= address <= MAX_ADDRESS:
        out_of_range(top, "address", address, MAX_ADDRESS)
    return address if address is not None else -1


def _verilog(top: TomlTable, within: Path) -> tuple[Path, ...]:
    names = top.strings("verilog", ())
    return tuple(existing_file(top, "verilog", name, within, i) for i, name in enumerate(names))


def _netlist(top: TomlTable, within: Path, design: str) -> Path | None:
    name = top.take("netlist", str, "")
    advice = f"{netlist_advice(design)}, or correct the name"
    return existing_file(top, "netlist", name, within, advice=advice) if name else None


def _tables(
    top: TomlTable, within: Path, clock_hz: float, signals: tuple[Bus, ...]
) -> tuple[TableSpec, ...]:
    tables = top.table("tables")
    if tables is None:
        return ()
    specs = tuple(
        _table(name, table, within, clock_hz, signals) for name, table in tables.children()
    )
    if not specs:
        top.error("no-tables", "tables", "the design has no tables", "add [tables.NAME]")
    return specs


def _table(
    name: str, table: TomlTable, within: Path, clock_hz: float, signals: tuple[Bus, ...]
) -> TableSpec:
    if not is_name(name):
        bad_name(table, table.location(), name)
    file = table.text("file")
    path = existing_file(table, "file", file, within) if file else table.path
    unconfirmed = _unconfirmed(name, table)
    return TableSpec(
        name=name,
        path=path,
        clock_hz=take_rate(table, "clock_hz", clock_hz),
        settle_us=take_up_to(table, "settle_us", 0.0, MAX_SETTLE_US),
        reset_cycles=take_up_to(table, "reset_cycles", 2, MAX_RESET_CYCLES),
        latency=_latency(table, signals),
        intake=table.take("intake", bool, False) and not unconfirmed,
        gap_free=table.take("gap_free", bool, False),
        contention_intended=_contention(table),
        unconfirmed=unconfirmed,
        made_from=read_made_from(table.maybe_table("made_from")),
    )


def _unconfirmed(name: str, table: TomlTable) -> str:
    """Read where unconfirmed values come from, and warn of them; such a table is in no intake."""
    source = table.take("unconfirmed", str, "").strip()
    if source:
        table.findings.warn(
            "unconfirmed-table",
            table.location("unconfirmed"),
            f'expected values of table "{name}" are unconfirmed: {source}',
            "compare them with the specification, then remove this line; "
            "until then the table runs only where it is named",
        )
    return source


def _contention(table: TomlTable) -> bool:
    said = table.take("contention", str, "")
    if said not in {"", INTENDED}:
        message = f'"{said}" says nothing about contention'
        table.error("bad-contention", "contention", message, f'write "{INTENDED}", or no such key')
    return said == INTENDED


def _latency(table: TomlTable, signals: tuple[Bus, ...]) -> dict[str, int]:
    below = table.maybe_table("latency")
    if below is None:
        return {}
    names = {signal.name for signal in signals if signal.can_be_tested}
    latency: dict[str, int] = {}
    for key in below:
        latency[key] = take_up_to(below, key, 0, MAX_LATENCY)
        if key not in names:
            below.error(
                "latency-of-unknown-bus",
                key,
                f'"{key}" is not an output of this design',
                nearest(key, names),
            )
    return latency
