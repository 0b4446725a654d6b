"""A rack: its slots, the faults of virtual ones, and the records of their chips.

Values only. A board reports its own identity; until then the rack file's entry is used.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from harness.board import BoardProfile
from harness.link import shown_address
from harness.rack.power import PowerCycle
from harness.records import ChipRecord
from harness.shuttle import Shuttle
from harness.supply import SupplySpec
from harness.virtual import BoardFault, ChipDefect, LinkFault

PATIENCE_S = 10.0
VIRTUAL_PORT = "virtual"
"""The port of a slot that is simulated."""


@dataclass(frozen=True)
class Slot:
    """One place in the rack.

    ``port`` is a device or a pyserial URL, ``virtual``, or empty: then the board is found by its
    USB serial number ``board``. ``board`` may be empty if the port is given. ``power_cycle`` is
    the command for a board that hangs, None if there is none; ``patience_s`` is how long a board
    that is absent, went away or shows no prompt may take to recover. ``supply_ma`` is the supply
    current of a virtual slot's chip, None if its board has no sensor.
    """

    name: str
    port: str
    board: str
    chip: str
    defects: tuple[ChipDefect, ...] = ()
    board_faults: tuple[BoardFault, ...] = ()
    link_faults: tuple[LinkFault, ...] = ()
    power_cycle: PowerCycle | None = None
    patience_s: float = PATIENCE_S
    supply_ma: float | None = None

    @property
    def virtual(self) -> bool:
        """Whether the slot is simulated."""
        return self.port == VIRTUAL_PORT


@dataclass(frozen=True, eq=False)
class Rack:
    """All slots of a rack, the shuttle whose chips they hold and the profile of the boards.

    ``path`` is None and ``sha256`` empty for a rack made without a file. ``supply`` is the bench
    supply that feeds the chips, None if the rack file names none. ``night_margins`` are the designs
    whose margin a night searches.
    """

    name: str
    shuttle: Shuttle
    profile: BoardProfile
    slots: tuple[Slot, ...]
    path: Path | None = None
    sha256: str = ""
    supply: SupplySpec | None = None
    night_margins: tuple[str, ...] = ()

    @property
    def file(self) -> Path:
        """The file to name in complaints: the rack's own, or the shuttle's if it has none."""
        return self.path or self.shuttle.path


def unreached(slot: Slot) -> ChipRecord:
    """Make the record of a chip whose board has not answered yet."""
    return ChipRecord(
        slot=slot.name,
        chip_serial=slot.chip,
        board_serial=slot.board,
        port=shown_address(slot.port),
        virtual=slot.virtual,
        agent_version="",
        interpreter="",
        backend="",
        exact=False,
        trouble="",
        outcomes=(),
    )
