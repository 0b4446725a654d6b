"""Reads a transaction list: what goes over one serial interface of a design, step by step.

One rule: a list says what is sent and answered, never when a bit begins: that is the interface's.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

from harness.errors import Findings
from harness.records import Parity, SerialInterface, SerialKind
from harness.shuttle import Design, TomlTable, nearest, read_toml, take_up_to
from harness.table import Column, Refusal, read_cell

MAX_STEPS = 10_000
MAX_BYTES = 20_000
"""Maximum number of characters, words or bytes of a list."""
MAX_WAIT = 1_000_000
ANY = "x"

Data = tuple[int | None, ...]
"""Values that are sent or tested; None is not tested."""


@dataclass(frozen=True)
class Step:
    """One step of a list, which begins at ``line`` of its file.

    ``data`` is what is sent or tested, by key. ``set`` are cells of other signals from this step
    on, ``first`` such cells in its first cycle only. Keys that the step lacks are empty, 0 or None.
    """

    line: int
    label: str = ""
    note: str = ""
    set: Mapping[str, str] = field(default_factory=dict)
    first: Mapping[str, str] = field(default_factory=dict)
    idle: int = 0
    skip: int = 0
    data: Mapping[str, Data] = field(default_factory=dict)
    within: int = 0
    wrong: str = ""
    address: int | None = None
    refused: bool = False


@dataclass(frozen=True)
class TransactionList:
    """A whole list: the interface, the steps, and how long a chip may hold ``scl`` down."""

    port: SerialInterface
    steps: tuple[Step, ...]
    stretch: int = 0


def read_transactions(path: Path, design: Design, findings: Findings) -> TransactionList | None:
    """Read a list of a design; None after findings."""
    top = read_toml(path, findings)
    if top is None:
        return None
    ports = {port.name: port for port in design.serial}
    name = top.text("serial")
    if name and name not in ports:
        message = f'design "{design.name}" has no serial interface "{name}"'
        advice = nearest(name, ports) if ports else "add [serial.NAME] to design.toml"
        top.error("unknown-serial", "serial", message, advice)
    port = ports.get(name)
    if port is None:
        return None
    stretch = _stretch(top, port, design)
    steps = tuple(_Reader(table, port, design).read() for table in top.tables("step"))
    _check_length(top, steps)
    top.finish()
    return None if findings.errors else TransactionList(port, steps, stretch)


def _stretch(top: TomlTable, port: SerialInterface, design: Design) -> int:
    if port.kind is not SerialKind.I2C:
        return 0
    stretch = take_up_to(top, "stretch", 0, MAX_WAIT)
    if stretch and not (port.pull_up and design.signals_by_name[port.scl].can_be_tested):
        message = f'the table cannot see whether the chip holds "{port.scl}" down'
        advice = f'remove it, or make "{port.scl}" bidirectional and set pull_up in design.toml'
        top.error("bad-step", "stretch", message, advice)
    return stretch


def _check_length(top: TomlTable, steps: tuple[Step, ...]) -> None:
    if not steps and "step" not in top.values:
        top.missing("step", "an array of tables, [[step]]")
    total = sum(len(values) for step in steps for values in step.data.values())
    if len(steps) > MAX_STEPS or total > MAX_BYTES:
        message = f"the list has {len(steps):,} steps and {total:,} values"
        advice = f"write at most {MAX_STEPS:,} steps and {MAX_BYTES:,} values in a list"
        top.error("bad-step", "step", message, advice)


class _Reader:
    """Reads one step of an interface."""

    def __init__(self, table: TomlTable, port: SerialInterface, design: Design) -> None:
        self.table, self.port, self.design = table, port, design

    def read(self) -> Step:
        """Return the step, with what could be read."""
        kinds: dict[SerialKind, Callable[[Step], Step]] = {
            SerialKind.UART: self._uart,
            SerialKind.SPI: self._spi,
            SerialKind.I2C: self._i2c,
        }
        table = self.table
        step = Step(
            line=table.location().line,
            label=table.take("label", str, ""),
            note=table.take("note", str, ""),
            set=self._cells("set"),
            first=self._cells("first"),
            idle=take_up_to(table, "idle", 0, MAX_WAIT),
            skip=take_up_to(table, "skip", 0, MAX_WAIT),
        )
        step = kinds[self.port.kind](step)
        acts = (step.idle > 0, step.skip > 0, bool(step.data) or step.address is not None)
        if sum(acts) != 1:
            what = "nothing" if not any(acts) else "several things"
            self._wrong(f"this step does {what}", "write one of idle, skip and data in each step")
        return step

    def _uart(self, step: Step) -> Step:
        port, table = self.port, self.table
        keys = [key for key, line in (("to_chip", port.rx), ("from_chip", port.tx)) if line]
        data = self._data(keys, {"from_chip"})
        within = take_up_to(table, "within", 0, MAX_WAIT)
        if within and set(data) != {"from_chip"}:
            self._wrong(
                "within waits for what the chip sends", "write it in a step with from_chip alone"
            )
        wrong = table.take("wrong", str, "")
        faults = ["stop", *(["parity"] if port.parity is not Parity.NONE else [])]
        if wrong and (wrong not in faults or set(data) != {"to_chip"}):
            advice = f"write {' or '.join(faults)}, in a step with to_chip alone"
            self._wrong(f'"{wrong}" cannot be wrong here', advice)
        return replace(step, data=data, within=within, wrong=wrong)

    def _spi(self, step: Step) -> Step:
        keys = [key for key in ("mosi", "miso") if getattr(self.port, key)]
        return replace(step, data=self._data(keys, {"miso"}))

    def _i2c(self, step: Step) -> Step:
        data = self._data(["write", "read"], {"read"})
        refused = self.table.take("refused", bool, False)
        if "address" not in self.table:
            if data or refused:
                self.table.missing("address", "the 7-bit address of the chip")
            return step
        address = take_up_to(self.table, "address", 0, 127)
        if refused and data:
            self._wrong("nothing follows an address that is refused", "remove write and read")
        return replace(step, data=data, address=address, refused=refused)

    def _data(self, keys: list[str], tested: set[str]) -> dict[str, Data]:
        """Read values under these keys; those that are tested may be ``x``."""
        data = {}
        for key in keys:
            if key in self.table:
                values = self._values(key, ANY if key in tested else "")
                if values:
                    data[key] = values
        return data

    def _values(self, key: str, wildcard: str) -> Data:
        written = self.table.raw(key)
        if isinstance(written, str):
            written = list(written.encode())
        if not isinstance(written, list) or not written:
            self.table.mistyped(key, "a text, or a list of numbers")
            return ()
        highest = (1 << self.port.data_bits) - 1
        values: list[int | None] = []
        for index, value in enumerate(written):
            if wildcard and value == wildcard:
                values.append(None)
            elif type(value) is int and 0 <= value <= highest:
                values.append(value)
            else:
                also = f', or "{wildcard}" for any' if wildcard else ""
                message = f"{value!r} is not a value of {self.port.data_bits} bits"
                advice = f"write numbers from 0 to {highest}{also}"
                self.table.error("bad-step", key, message, advice, index)
        return tuple(values)

    def _cells(self, key: str) -> dict[str, str]:
        """Read cells of signals that are not of the interface."""
        below = self.table.maybe_table(key)
        cells: dict[str, str] = {}
        for name in below or ():
            assert below is not None
            text = below.take(name, str)
            if text is not None and self._is_cell(below, name, text):
                cells[name] = text
        return cells

    def _is_cell(self, table: TomlTable, name: str, text: str) -> bool:
        own = self.port.lines.values()
        signal = self.design.signals_by_name.get(name)
        if signal is None or name in own:
            others = set(self.design.signals_by_name) - set(own)
            message = f'"{name}" is no other signal of the design'
            table.error("bad-step", name, message, nearest(name, others))
            return False
        meaning = read_cell(text, Column(signal))
        if isinstance(meaning, Refusal):
            table.error(meaning.rule, name, meaning.message, meaning.advice)
            return False
        return True

    def _wrong(self, message: str, advice: str) -> None:
        self.table.findings.error("bad-step", self.table.location(), message, advice)
