"""A virtual chip on its board: words of a pattern in, words read and floating pins out.

The one rule: words are as the controller sees them; faults of the board and defects of the chip
are inside. Pins that nobody drives read low: the chip's own weak keepers are all to ground.
Where chip and controller both drive a pin, the controller wins in what is read.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Sequence
from contextlib import suppress

import numpy as np

from harness.board import SelectMethod
from harness.errors import VirtualError
from harness.netlist import Extent, Rows, nearest, stimulus
from harness.shuttle import Design, Shuttle
from harness.table import Words
from harness.virtual.faults import BoardFault, ChipDefect, OutputStuck
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
        self._wiring = Wiring(shuttle, board_faults)
        self._selector = new_selector(select, self._wiring, self._seed(""))
        self._by_address = {design.address: design for design in shuttle.designs}
        self._running: dict[str, RunningDesign] = {}
        self._nothing = start_nothing(self._wiring, self._defects)
        self._clock_hz = 0.0
        self._speed = 1.0
        self._cycle = 0
        self._select_levels = 0
        self._check_defects(shuttle)

    def configure(self, clock_hz: float) -> None:
        """Set how fast paths must be: 1 / the time from an edge to the read, in Hz."""
        self._clock_hz = clock_hz

    def set_speed(self, speed: float) -> None:
        """Set how fast every path is, as a multiple of its speed at the nominal voltage."""
        self._speed = speed

    def run(self, drive: Words, enable: Words, pulse: Words, highz: Words) -> tuple[Words, Words]:
        """Run one cycle for each entry; gives the words read, and which ``highz`` bits float.

        Drive, settle, pulse (invert, settle, restore, settle), read: the order of JESD3. A pulse
        on a pin that is not driven does nothing. Raises VirtualError when the design that is
        selected in the end cannot be evaluated.
        """
        rows = stimulus(drive, enable, pulse, highz)
        found = np.zeros((len(rows), 3), dtype=np.int64)
        start = 0
        for event in self._selections(rows):
            with suppress(VirtualError):  # of a design that is left in this very burst
                self._burst(rows, start, event, found)
            self._follow(rows, event)
            start = event
        self._burst(rows, start, len(rows), found)
        return found[:, 0].astype(np.uint32), found[:, 1].astype(np.uint32)

    def run_until(
        self, drive: int, enable: int, pulse: int, expect: int, care: int, limit: int
    ) -> tuple[int, int, bool]:
        """Repeat one vector until what is read is ``expect`` on ``care``, at most ``limit`` times.

        Gives the cycles used, the last word read, and whether it matched. With ``care`` 0 one
        cycle is enough.
        """
        rows = stimulus(drive, enable, pulse, 0)
        selecting = pulse & enable & self._selector.mask
        step = 1 if selecting or not care else max(limit, 1)
        used, matched, word = 0, False, 0
        while not matched and used < max(limit, 1):
            for event in self._selections(rows):
                self._follow(rows, event)
            found, cycles, matched = self._cycles(rows, step, expect, care)
            word = int(found[0, 0])
            used += cycles
            matched = matched or not care
        return used, word, matched

    def _selections(self, rows: Rows) -> list[int]:
        """Entries in which a select pin changes or is pulsed."""
        mask = self._selector.mask
        if not mask or not len(rows):
            return []
        enabled = rows[:, 1] & mask
        levels = rows[:, 0] & enabled
        changed = (rows[:, 2] & enabled) != 0
        changed[1:] |= levels[1:] != levels[:-1]
        changed[0] |= int(levels[0]) != self._select_levels
        return [int(index) for index in np.flatnonzero(changed)]

    def _follow(self, rows: Rows, index: int) -> None:
        """Let the selector see the levels of one entry, its pulse included."""
        drive, enable, pulse = (int(word) for word in rows[index, :3])
        levels = drive & enable
        inverted = pulse & enable & self._selector.mask
        self._selector.follow(levels)
        if inverted:
            self._selector.follow(levels ^ inverted)
            self._selector.follow(levels)
        self._select_levels = levels & self._selector.mask

    def _burst(self, rows: Rows, start: int, stop: int, found: Rows) -> None:
        """Run the entries from ``start`` up to ``stop`` on the design that is selected now."""
        if stop > start:
            found[start:stop], _, _ = self._cycles(rows[start:stop], stop - start, 0, 0)

    def _cycles(self, rows: Rows, cycles: int, expect: int, care: int) -> tuple[Rows, int, bool]:
        """Run the selected design; counts the chip's cycles."""
        pace = self._clock_hz / self._speed if self._speed else _ENDLESSLY_FAST
        extent = Extent(cycles, expect, care, self._cycle, math.ceil(pace), 0)
        found, used, matched = self._selected().run(rows, extent)
        self._cycle += used
        return found, used, matched

    def _selected(self) -> RunningDesign:
        """Give the design at the present address, started if it never was."""
        design = self._by_address.get(self._selector.address)
        if design is None:
            return self._nothing
        if design.name not in self._running:
            self._running[design.name] = self._started(design)
        return self._running[design.name]

    def _started(self, design: Design) -> RunningDesign:
        """Start a design; one that cannot be started is like an address without a design."""
        seed = self._seed(design.name)
        try:
            return start_design(design, self._wiring, self._defects, seed)
        except VirtualError:
            return self._nothing

    def _seed(self, name: str) -> int:
        """Derive the power-up levels from the chip and the design alone."""
        digest = hashlib.sha256(f"{self._serial}/{name}".encode()).digest()
        return int.from_bytes(digest[:8])

    def _check_defects(self, shuttle: Shuttle) -> None:
        """Refuse defects that name nothing on this shuttle; nets are found by starting."""
        for defect in self._defects:
            if isinstance(defect, OutputStuck):
                self._wiring.bit(defect.pin)
            elif defect.design not in shuttle.designs_by_name:
                message = f"{shuttle.path}: no design is named {defect.design!r}"
                raise VirtualError(message + nearest(defect.design, shuttle.designs_by_name))
        for name in {d.design for d in self._defects if not isinstance(d, OutputStuck)}:
            design = shuttle.designs_by_name[name]
            seed = self._seed(name)
            self._running[name] = start_design(design, self._wiring, self._defects, seed)
