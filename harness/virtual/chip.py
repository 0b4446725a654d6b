"""A virtual chip on its board: words of a pattern in, words read and floating pins out.

The one rule: words are as the controller sees them; faults of the board and defects of the chip
are inside. Pins that nobody drives read low: the chip's own weak keepers are all to ground.
Where chip and controller both drive a pin, the controller wins in what is read; a line that is
stuck or shorted is read as it is.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence

import numpy as np

from harness.board import SelectMethod
from harness.errors import VirtualError
from harness.netlist import Extent, Rows, nearest, stimulus
from harness.shuttle import Design, Shuttle
from harness.table import Words
from harness.virtual import lines
from harness.virtual.faults import (
    BoardFault,
    ChipDefect,
    ForcedNet,
    NetBridge,
    OtherShuttle,
    SelectBitStuck,
)
from harness.virtual.running import RunningDesign, start_design, start_nothing
from harness.virtual.selection import new_selector
from harness.virtual.wiring import Wiring

_ENDLESSLY_FAST = 2**62
"""A clock rate at which no path is in time."""


class ChipModel:
    """One chip with all of its designs; only the selected one is clocked and evaluated.

    A design powers up when it is first selected: its flops then hold levels that depend on the
    chip's serial number and the design's name alone. From then on it keeps its state, also while
    others are selected. An address without a design leaves every output floating, and so does a
    design without a usable netlist: while one address is shifted in, others are selected too, so
    that selecting one is not an error. Callers check a design before they run it.

    Raises VirtualError for defects and faults that name no design, net or pin of the shuttle
    (with the nearest names).
    """

    def __init__(
        self,
        shuttle: Shuttle,
        select: SelectMethod,
        serial: str,
        defects: Sequence[ChipDefect] = (),
        board_faults: Sequence[BoardFault] = (),
    ) -> None:
        self._serial = serial
        self._defects = tuple(defects)
        wiring = Wiring(shuttle, (*board_faults, *defects))
        self._selector = new_selector(select, wiring, self._seed(""))
        self._board = wiring.table(self._selector.mask)
        self._by_address = {design.address: design for design in shuttle.designs}
        self._running: dict[str, RunningDesign] = {}
        self._nothing = start_nothing()
        self._clock_hz = 0.0
        self._speed = 1.0
        self._cycle = self._runs = 0
        self._check_defects(shuttle)

    def configure(self, clock_hz: float) -> None:
        """Begin a run; 1 / ``clock_hz`` is the time that paths have, from an edge to the read."""
        self._clock_hz = clock_hz
        self._runs += 1

    def set_speed(self, speed: float) -> None:
        """Set how fast every path is, as a multiple of its speed at the nominal voltage."""
        self._speed = speed

    @property
    def selected(self) -> str:
        """Name of the design that is selected now; empty if there is none."""
        design = self._by_address.get(self._address())
        return design.name if design else ""

    def run(self, drive: Words, enable: Words, pulse: Words, highz: Words) -> tuple[Words, Words]:
        """Run one cycle for each entry; gives the words read, and which ``highz`` bits float.

        Drive, settle, pulse (invert, settle, restore, settle), read: the order of JESD3. A pulse
        on a pin that is not driven does nothing. Raises VirtualError when the design that is
        selected in the end cannot be evaluated.
        """
        rows = stimulus(drive, enable, pulse, highz)
        found = np.zeros((len(rows), 2), dtype=np.int64)
        self._cycles(rows, len(rows), 0, 0, found)
        return found[:, 0].astype(np.uint32), found[:, 1].astype(np.uint32)

    def run_until(
        self, drive: int, enable: int, pulse: int, expect: int, care: int, limit: int
    ) -> tuple[int, int, bool]:
        """Repeat one vector until what is read is ``expect`` on ``care``, at most ``limit`` times.

        Gives the cycles used, the last word read, and whether it matched. With ``care`` 0 one
        cycle is enough.
        """
        rows = stimulus(drive, enable, pulse, 0)
        found = np.zeros((1, 2), dtype=np.int64)
        cycles = max(limit, 1) if care else 1
        used, matched = self._cycles(rows, cycles, expect, care, found)
        return used, int(found[0, 0]), matched or not care

    def _cycles(
        self, rows: Rows, cycles: int, expect: int, care: int, found: Rows
    ) -> tuple[int, bool]:
        """Run cycles on whatever is selected in each; a single row stands for all of them."""
        pace = math.ceil(self._clock_hz / self._speed if self._speed else _ENDLESSLY_FAST)
        used, matched, selects = 0, False, False
        while used < cycles and not matched:
            design = self._selected()
            first = min(used, len(rows) - 1)
            extent = Extent(cycles - used, expect, care, self._cycle, pace, design.tolerated)
            burst = self._board, rows[first:], (*extent, self._runs, selects), found[first:]
            try:
                count, matched, selects = design.run(*burst)
            except VirtualError:
                count, _, selects = self._nothing.run(*burst)
                if not selects:  # else it is left in this very burst
                    raise
            used, self._cycle = used + count, self._cycle + count
            if selects:
                self._follow()
        return used, matched

    def _follow(self) -> None:
        """Let the selector see the levels of a cycle, its pulse included."""
        levels, pulsed = int(self._board[lines.SELECTING]), int(self._board[lines.PULSED])
        self._selector.follow(levels)
        if pulsed != levels:
            self._selector.follow(pulsed)
            self._selector.follow(levels)
        self._board[lines.SELECTED] = levels

    def _selected(self) -> RunningDesign:
        """Give the design at the present address, started if it never was."""
        design = self._by_address.get(self._address())
        if design is None:
            return self._nothing
        if design.name not in self._running:
            self._running[design.name] = self._started(design)
        return self._running[design.name]

    def _address(self) -> int:
        """Give the selected address of the shuttle's list."""
        address = self._selector.address
        for defect in self._defects:
            match defect:
                case SelectBitStuck(bit, level):
                    address = (address & ~(1 << bit)) | level << bit
                case OtherShuttle(shift):
                    address -= shift
        return address

    def _started(self, design: Design) -> RunningDesign:
        """Start a design; one that cannot be started is like an address without a design."""
        seed = self._seed(design.name)
        try:
            return start_design(design, self._defects, seed)
        except VirtualError:
            return self._nothing

    def _seed(self, name: str) -> int:
        """Derive the power-up levels from the chip and the design alone."""
        digest = hashlib.sha256(f"{self._serial}/{name}".encode()).digest()
        return int.from_bytes(digest[:8])

    def _check_defects(self, shuttle: Shuttle) -> None:
        """Refuse defects that name nothing on this shuttle; nets are found by starting."""
        names = {d.design for d in self._defects if isinstance(d, ForcedNet | NetBridge)}
        for name in sorted(names):
            if name not in shuttle.designs_by_name:
                message = f"{shuttle.path}: no design is named {name!r}"
                raise VirtualError(message + nearest(name, shuttle.designs_by_name))
            design = shuttle.designs_by_name[name]
            self._running[name] = start_design(design, self._defects, self._seed(name))
