"""What a virtual board is asked to be, and how that travels to the process that serves it."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

from harness.virtual import faults
from harness.virtual.faults import BoardFault, ChipDefect, LinkFault

OWN_PROGRAM = """\
import time
while True:
    print('board ' + serial + ': own program is alive')
    time.sleep_ms(500)
"""
"""What a virtual board runs when nobody attaches: its boot program."""


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


SEAT = b"seat the chip again"
"""What is written into a board's switch to seat its chip again; anything else cycles its power."""

FAULT_KINDS = ("defects", "board_faults", "link_faults")


def to_json(specs: Sequence[VirtualBoardSpec], nominal_volts: float | None = None) -> str:
    """Specs, and the nominal voltage of a virtual supply if there is one, as one line of JSON."""
    boards = [_plain(spec) for spec in specs]
    return json.dumps({"boards": boards, "nominal_volts": nominal_volts})


def from_json(text: str) -> tuple[list[VirtualBoardSpec], float | None]:
    """Specs and nominal voltage from what ``to_json`` made."""
    wanted = json.loads(text)
    return [_spec(plain) for plain in wanted["boards"]], wanted["nominal_volts"]


def _plain(spec: VirtualBoardSpec) -> dict[str, object]:
    plain: dict[str, object] = {
        name: value for name, value in vars(spec).items() if name not in FAULT_KINDS
    }
    plain["shuttle_path"] = str(spec.shuttle_path)
    plain["profile_path"] = str(spec.profile_path)
    for name in FAULT_KINDS:
        plain[name] = [
            {"kind": type(fault).__name__, **asdict(fault)} for fault in getattr(spec, name)
        ]
    return plain


def _spec(plain: dict[str, object]) -> VirtualBoardSpec:
    values = dict(plain)
    for name in FAULT_KINDS:
        values[name] = tuple(_fault(item) for item in plain[name])  # type: ignore[attr-defined]
    values["shuttle_path"] = Path(str(plain["shuttle_path"]))
    values["profile_path"] = Path(str(plain["profile_path"]))
    return VirtualBoardSpec(**values)  # type: ignore[arg-type]


def _fault(item: dict[str, object]) -> object:
    return getattr(faults, str(item["kind"]))(
        **{name: value for name, value in item.items() if name != "kind"}
    )
