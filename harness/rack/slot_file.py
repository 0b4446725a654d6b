"""Reads a file that describes one virtual slot: a chip, a board, and invented faults.

One rule: such a file may come from a stranger, so it names no port and no command; anything
beyond serial numbers and faults is an unknown key.
"""

from __future__ import annotations

from pathlib import Path

from harness.errors import ConfigError, Findings
from harness.rack.faults import read_faults
from harness.rack.model import VIRTUAL_PORT, Slot
from harness.shuttle import Shuttle, read_toml


def load_virtual_slot(path: Path, shuttle: Shuttle) -> Slot:
    """Read a virtual slot, named A1. Raises ConfigError with every finding."""
    findings = Findings()
    top = read_toml(path, findings)
    if top is None:
        raise ConfigError(findings.items)
    defects, board_faults, link_faults = read_faults(top, shuttle)
    slot = Slot(
        name="A1",
        port=VIRTUAL_PORT,
        board=top.take("board", str, ""),
        chip=top.take("chip", str) or "",
        defects=defects,
        board_faults=board_faults,
        link_faults=link_faults,
    )
    top.finish()
    if findings.errors:
        raise ConfigError(findings.errors)
    return slot
