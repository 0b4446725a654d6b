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
from numpy.typing import ArrayLike

from harness.board import SelectMethod
from harness.errors import VirtualError
from harness.netlist import Extent, Stimulus, nearest
from harness.shuttle import Design, Shuttle
from harness.table import Words
from harness.virtual.faults import BoardFault, ChipDefect, OutputStuck
from harness.virtual.running import RunningDesign, start_design, start_nothing
from harness.virtual.selection import new_selector
from harness.virtual.wiring import Wiring


class ChipModel:
    """One chip with all of its designs; only the selected one is clocked and evaluated.

    A design powers up when it is first selected: its flops then hold levels that depend on the
    chip's serial number and the design's name alone. From then on it keeps its state, also while
    others are selected. An address without a design leaves every output floating, and so does a
    design without a usable netlist: while one address is shifted in, others are selected too, so
    that being selected is no reason to complain. Whoever wants to run a design asks before.

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
        """Say how fast paths must be from now on: 1 / the time from an edge to the read, in Hz."""
        self._clock_hz = clock_hz

    def set_speed(self, speed: float) -> None:
        """Say how fast every path is, as a multiple of its speed at the nominal voltage."""
        self._speed = speed

    def run(self, drive: Words, enable: Words, pulse: Words, highz: Words) -> tuple[Words, Words]:
        """Run one cycle for each entry; gives the words read, and which ``highz`` bits float.

        Drive, settle, pulse (invert, settle, restore, settle), read: the order of JESD3. A pulse
        on a pin that is not driven does nothing. Raises VirtualError when the design that is
        selected in the end cannot be evaluated.
        """
        stimulus = _stimulus(drive, enable, pulse, highz)
        seen, floating = np.zeros_like(stimulus.drive), np.zeros_like(stimulus.drive)
        start = 0
        for event in self._selections(stimulus):
            with suppress(VirtualError):  # of a design that is left in this very burst
                self._burst(stimulus, start, event, seen, floating)
            self._follow(stimulus, event)
            start = event
        self._burst(stimulus, start, len(stimulus.drive), seen, floating)
        return seen, floating

    def run_until(
        self, drive: int, enable: int, pulse: int, expect: int, care: int, limit: int
    ) -> tuple[int, int, bool]:
        """Repeat one vector until what is read is ``expect`` on ``care``, at most ``limit`` times.

        Gives the cycles used, the last word read, and whether it matched. With ``care`` 0 one
        cycle is enough.
        """
        stimulus = _stimulus([drive], [enable], [pulse], [0])
        selecting = pulse & enable & self._selector.mask
        seen, floating = np.zeros(1, dtype=np.uint32), np.zeros(1, dtype=np.uint32)
        step = 1 if selecting or not care else max(limit, 1)
        used, matched = 0, False
        while not matched and used < max(limit, 1):
            for event in self._selections(stimulus):
                self._follow(stimulus, event)
            cycles, matched = self._cycles(stimulus, step, expect, care, seen, floating)
            used += cycles
            matched = matched or not care
        return used, int(seen[0]), matched

    def _selections(self, stimulus: Stimulus) -> list[int]:
        """Entries in which a select pin changes or is pulsed."""
        mask = np.uint32(self._selector.mask)
        if not mask or not len(stimulus.drive):
            return []
        levels = stimulus.drive & stimulus.enable & mask
        changed = (stimulus.pulse & stimulus.enable & mask) != 0
        changed[1:] |= levels[1:] != levels[:-1]
        changed[0] |= int(levels[0]) != self._select_levels
        return [int(index) for index in np.flatnonzero(changed)]

    def _follow(self, stimulus: Stimulus, index: int) -> None:
        """Let the selector see the levels of one entry, its pulse included."""
        levels = int(stimulus.drive[index] & stimulus.enable[index])
        pulse = int(stimulus.pulse[index] & stimulus.enable[index]) & self._selector.mask
        self._selector.follow(levels)
        if pulse:
            self._selector.follow(levels ^ pulse)
            self._selector.follow(levels)
        self._select_levels = levels & self._selector.mask

    def _burst(
        self, stimulus: Stimulus, start: int, stop: int, seen: Words, floating: Words
    ) -> None:
        """Run the entries from ``start`` up to ``stop`` on the design that is selected now."""
        if stop > start:
            cut = slice(start, stop)
            part = Stimulus._make(word[cut] for word in stimulus)
            self._cycles(part, stop - start, 0, 0, seen[cut], floating[cut])

    def _cycles(
        self,
        stimulus: Stimulus,
        cycles: int,
        expect: int,
        care: int,
        seen: Words,
        floating: Words,
    ) -> tuple[int, bool]:
        """Run the selected design; counts the chip's cycles."""
        pace = self._clock_hz / self._speed if self._speed else math.inf
        extent = Extent(cycles, expect, care, self._cycle, pace, 0)
        used, matched = self._selected().run(stimulus, extent, seen, floating)
        self._cycle += used
        return used, matched

    def _selected(self) -> RunningDesign:
        """Give the design at the present address, started if it never was."""
        design = self._by_address.get(self._selector.address)
        if design is None:
            return self._nothing
        if design.name not in self._running:
            self._running[design.name] = self._started(design)
        return self._running[design.name]

    def _started(self, design: Design) -> RunningDesign:
        """Start a design; one that cannot be is like an address without a design."""
        seed = self._seed(design.name)
        try:
            return start_design(design, self._wiring, self._defects, seed)
        except VirtualError:
            return self._nothing

    def _seed(self, name: str) -> int:
        """Derive the levels at power-up from the chip and the design, nothing else."""
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


def _stimulus(*words: ArrayLike) -> Stimulus:
    """Words in the layout that the kernel is compiled for."""
    return Stimulus._make(np.ascontiguousarray(word, dtype=np.uint32) for word in words)
