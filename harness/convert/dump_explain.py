"""What an author should know about an imported table: in words, with lines of the table.

One rule: a sentence names the place that it is about, and states only what was seen.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
from numpy.typing import NDArray

from harness.convert.choices import Edge, Sample
from harness.convert.dump_import import Recipe, Sampled
from harness.convert.dump_map import PinMap
from harness.convert.dump_read import Dump
from harness.convert.dump_table import NO_RESET
from harness.errors import many
from harness.rehearse import Wrong
from harness.shuttle import Bus, Design, Direction
from harness.table import Names, Pattern, bits

MAX_SHOWN = 8
"""Maximum number of pins, or of places, that are named; the others are counted."""
MIN_WAIT = 4
"""Number of equal cycles from which on a bench is taken to wait for something."""


def remarks(dump: Dump, pins: PinMap, recipe: Recipe, done: Sampled) -> tuple[str, ...]:
    """Return where a table comes from and how it was sampled, for the top of its file."""
    scope = f", scope {pins.scope}" if pins.scope else ""
    lines = [f"imported from {dump.path.name}{scope}"]
    clocked = pins.mask(Direction.CLOCK) and recipe.sample is not Sample.LEVELS
    edge = f"; {done.edge} edge of the clock" if clocked else ""
    lines.append(f"sampled by the rule {recipe.sample}{edge}")
    reset = done.reset
    if reset.left_out:
        cycles = many(reset.cycles or 0, "clock")
        lines.append(f"the bench's reset of {cycles} is left to the board: reset_cycles")
    elif reset.cycles == 0 and reset != NO_RESET:
        lines.append("the bench's reset is in the rows: reset_cycles = 0")
    return tuple(lines)


def notices(dump: Dump, pins: PinMap, done: Sampled, names: Names) -> Iterator[str]:
    """Yield what a table cannot show, or does not."""
    for bus in pins.absent:
        if bus.can_be_tested:
            yield f"{bus.name} is not in the dump and not tested"
    seen = done.observed
    for bit, count in seen.glitches.most_common(MAX_SHOWN):
        when = f"first at {seen.first_glitch[bit]:,} x {dump.tick}"
        yield (
            f"{names.both(bit)} changes more than once within {many(count, 'row')}, {when}: "
            "a table tests only where it ends"
        )
    if done.both_edges:
        yield "flops of the netlist use both edges of the clock: --sample levels shows each"
    if done.reset.cycles is None:
        yield "the bench does not reset the design; the board does, before the first row"


class Waits:
    """Finds rows in which the bench waits for an output: :meth:`take` patterns in order."""

    def __init__(self, first_line: int, design: Design) -> None:
        self._line = first_line
        self._flags = {bus.mask: bus for bus in design.signals if _is_flag(bus)}
        self._last: Pattern | None = None
        self.count = 0
        self.sentences: list[str] = []

    def take(self, pattern: Pattern) -> None:
        """Look at the next rows."""
        for before, row in _neighbours(self._last, pattern):
            self._look(*before, *row, self._line + row[1])
        self._last = pattern.rows(len(pattern) - 1, len(pattern))
        self._line += len(pattern)

    def _look(self, first: Pattern, k: int, second: Pattern, n: int, line: int) -> None:
        same = all(
            getattr(first, name)[k] == getattr(second, name)[n]
            for name in ("drive", "enable", "pulse")
        )
        tested = int(first.care[k]) & int(second.care[n])
        moved = (int(first.expect[k]) ^ int(second.expect[n])) & tested
        bus = self._flags.get(moved)
        if not same or bus is None or not first.pulse[k]:
            return
        self.count += 1
        if len(self.sentences) < MAX_SHOWN:
            level = "H" if int(second.expect[n]) & moved else "L"
            cycles = int(first.repeat[k])
            self.sentences.append(
                f"line {line - 1}: the bench waits {cycles} cycles here until {bus.name} is "
                f"{level}; if the chip may take another time, replace lines {line - 1} and {line} "
                f'by one with {bus.name} {level} and "until {2 * cycles}" in repeat'
            )


def _is_flag(bus: Bus) -> bool:
    return bus.width == 1 and bus.can_be_tested


def _neighbours(
    last: Pattern | None, pattern: Pattern
) -> Iterator[tuple[tuple[Pattern, int], tuple[Pattern, int]]]:
    if last is not None and last.repeat[0] >= MIN_WAIT and len(pattern):
        yield (last, 0), (pattern, 0)
    for row in np.flatnonzero(pattern.repeat[:-1] >= MIN_WAIT).tolist():
        yield (pattern, row), (pattern, row + 1)


def disagreements(
    pattern: Pattern, wrong: Wrong, times: NDArray[np.int64], names: Names, tick: str
) -> Iterator[str]:
    """Yield for each pin how many rows disagree with the netlist, and where the first is."""
    rows = np.searchsorted(np.cumsum(pattern.repeat, dtype=np.int64), wrong.cycles, "right")
    pins = list(bits(int(np.bitwise_or.reduce(wrong.pins, initial=0))))
    for bit in pins[:MAX_SHOWN]:
        mine = np.unique(rows[wrong.pins >> np.uint32(bit) & np.uint32(1) != 0])
        first = int(mine[0])
        level = int(pattern.expect[first]) >> bit & 1
        yield (
            f"{names.both(bit)}: {many(len(mine), 'row')} of {len(pattern):,}, first line "
            f"{pattern.line[first]} (at {times[first]:,} x {tick}): the simulation has {level}, "
            f"the netlist {1 - level}"
        )
    if len(pins) > MAX_SHOWN:
        yield f"and {many(len(pins) - MAX_SHOWN, 'more pin')}"


def cures(recipe: Recipe, done: Sampled) -> Iterator[tuple[str, Recipe]]:
    """Yield other ways to sample the same dump, each with the option that asks for it."""
    used = Recipe(recipe.sample, done.edge, recipe.keep_reset)
    if recipe.sample is Sample.PULSES:
        yield "--sample before", Recipe(Sample.BEFORE, done.edge, recipe.keep_reset)
    other = Edge.FALLING if done.edge is Edge.RISING else Edge.RISING
    if recipe.sample is not Sample.LEVELS:
        yield f"--edge {other}", Recipe(used.sample, other, used.keep_reset)
        yield "--sample levels", Recipe(Sample.LEVELS, None, recipe.keep_reset)
    if done.reset.left_out:
        yield "--keep-reset", Recipe(used.sample, used.edge, keep_reset=True)


def verdict_on_cures(cured: Sequence[str], tried: int) -> str:
    """Say which other ways of sampling agree with the netlist."""
    if cured:
        return f"every row agrees with {' or '.join(cured)}"
    return (
        f"none of {many(tried, 'other way')} to sample the dump agrees either: was the netlist "
        "made from the source that was simulated?"
    )
