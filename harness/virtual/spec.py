"""The specification of a virtual board, and its form on the way to the process that serves it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from cattrs.preconf.json import make_converter
from cattrs.strategies import configure_tagged_union

from harness.virtual.faults import BoardFault, ChipDefect, LinkFault, NoSupply

OWN_PROGRAM = """\
import time
while True:
    print('board ' + serial + ': own program is alive')
    time.sleep_ms(500)
"""
"""The boot program of a virtual board, which runs while no host is attached."""


@dataclass(frozen=True)
class VirtualBoardSpec:
    """One slot of a virtual rack. ``baud`` paces the link (0: as fast as it goes).

    ``program`` is the board's own program in MicroPython, which knows its serial number as
    ``serial``: that comes from a stranger's file and is never pasted into it. ``heap`` bounds the
    interpreter's memory in bytes (0: its own default).
    ``stand_in`` asks for CPython in place of MicroPython. Paths are absolute. ``supply_ma`` is what
    the chip draws; None for a board whose sensor says nothing.
    """

    slot: str
    board_serial: str
    chip_serial: str
    shuttle_path: Path
    profile_path: Path
    defects: tuple[ChipDefect, ...] = ()
    board_faults: tuple[BoardFault, ...] = ()
    link_faults: tuple[LinkFault, ...] = ()
    baud: int = 0
    program: str = OWN_PROGRAM
    heap: int = 0
    stand_in: bool = False
    supply_ma: float | None = None

    @property
    def drawn_ma(self) -> float | None:
        """What the chip draws as the board has it."""
        unsupplied = any(isinstance(fault, NoSupply) for fault in self.board_faults)
        return 0.0 if unsupplied and self.supply_ma is not None else self.supply_ma


SEAT = b"seat the chip again"
"""Written to a board's switch, this seats its chip again; anything else cycles its power."""


@dataclass(frozen=True)
class _Wanted:
    """The boards that one process serves."""

    boards: tuple[VirtualBoardSpec, ...]
    nominal_volts: float | None


_CONVERTER = make_converter()
for _union in (ChipDefect, BoardFault, LinkFault):
    configure_tagged_union(_union, _CONVERTER, tag_name="kind")


def to_json(specs: Sequence[VirtualBoardSpec], nominal_volts: float | None = None) -> str:
    """Specs, and the nominal voltage of a virtual supply if there is one, as one line of JSON."""
    return _CONVERTER.dumps(_Wanted(tuple(specs), nominal_volts))


def from_json(text: str) -> tuple[tuple[VirtualBoardSpec, ...], float | None]:
    """Specs and nominal voltage from what ``to_json`` made."""
    wanted = _CONVERTER.loads(text, _Wanted)
    return wanted.boards, wanted.nominal_volts
