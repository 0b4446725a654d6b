"""Reads what a rack file says about boards that go away or hang: patience, and a power command.

One rule: a key may stand at the top for every slot, and in a slot for that one.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from harness.rack.model import PATIENCE_S
from harness.rack.power import PowerCycle
from harness.shuttle import TomlTable


@dataclass(frozen=True)
class Recovery:
    """What is done for a slot whose board goes away or hangs."""

    power: PowerCycle
    patience_s: float

    @property
    def power_cycle(self) -> PowerCycle | None:
        """The way to cycle the power, None if there is none."""
        return self.power if self.power.command else None


USUAL = Recovery(PowerCycle(()), PATIENCE_S)
"""What holds where a rack file says nothing."""


def read_recovery(table: TomlTable, usual: Recovery) -> Recovery:
    """Read a table's keys over what is usual; wrong ones leave findings."""
    power = PowerCycle(
        _command(table, usual.power.command),
        _seconds(table, "power_cycle_timeout_s", usual.power.timeout_s),
        _seconds(table, "power_cycle_wait_s", usual.power.wait_s),
    )
    return replace(usual, power=power, patience_s=_seconds(table, "patience_s", usual.patience_s))


def _command(table: TomlTable, usual: tuple[str, ...]) -> tuple[str, ...]:
    """Read a list of words; an empty one stands for no command."""
    if isinstance(table.values.get("power_cycle"), str):
        message = '"power_cycle" is one text, and no shell takes it apart'
        advice = 'write a list of words: ["program", "argument"]'
        table.error("wrong-type", "power_cycle", message, advice)
    words = table.strings("power_cycle", usual)
    if words and not words[0].strip():
        table.error("empty-text", "power_cycle", "the first word is empty", "name a program")
    return words


def _seconds(table: TomlTable, key: str, usual: float) -> float:
    value = table.take(key, float, usual)
    if not 0 <= value <= 3600:
        table.error("out-of-range", key, f'"{key}" is {value}', "write 0 to 3600")
        return usual
    return value
