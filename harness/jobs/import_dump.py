"""Make a table from a waveform dump of the author's own simulation, and replay it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import chain
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from harness.convert import (
    Draft,
    Dump,
    PinMap,
    Recipe,
    Sampled,
    Waits,
    Wanted,
    cures,
    disagreements,
    joined,
    map_pins,
    notices,
    open_dump,
    pattern_lines,
    remarks,
    sampled,
    save_table,
    structure,
    verdict_on_cures,
)
from harness.jobs.find import open_design
from harness.jobs.rehearse import RehearsedTable
from harness.jobs.stale import stale_netlists
from harness.records import RehearsalResult
from harness.rehearse import Cache, Rehearser
from harness.shuttle import Bus, Design, Shuttle, TableSpec, is_name
from harness.table import Names, Pattern, load_table

MAX_CURED_ROWS = 200_000
"""Rows beyond which a table that disagrees is not sampled in other ways to find out why."""
_UNNAMED = "imported"


@dataclass(frozen=True)
class ImportOptions:
    """What an author asks for. ``table`` empty: named like the dump's file."""

    table: str = ""
    replace: bool = False
    wanted: Wanted = field(default_factory=Wanted)
    recipe: Recipe = field(default_factory=Recipe)


@dataclass(frozen=True)
class ImportedTable(RehearsedTable):
    """A table that was written, with its number of rows.

    ``notices`` say what it does not show, ``explanation`` where and why it disagrees with the
    design's netlist, if it does.
    """

    rows: int
    notices: tuple[str, ...]
    explanation: tuple[str, ...] = ()


def import_dump(
    dump: str | Path,
    design: str | Path,
    options: ImportOptions,
    confirm: Callable[[tuple[str, ...]], bool],
    tell: Callable[[str, float], None],
) -> ImportedTable | None:
    """Write a table from a VCD or FST dump into a design's folder, and replay it on its netlist.

    ``confirm`` gets the map of signals, line by line; None is returned if it says no. ``tell``
    gets what is being done and the part that is done. Raises InputError with every finding if the
    dump, the design or a name cannot be used.
    """
    shuttle, chosen = open_design(design)
    read = open_dump(Path(dump), tell)
    pins = map_pins(read, chosen, options.wanted)
    if not confirm((f"scope {pins.scope or '(top)'} of {read.path.name}", *pins.lines)):
        return None
    return _Import(shuttle, chosen, read, pins, options, tell).run()


@dataclass
class _Import:
    """One import: a dump, a design, and the map between them."""

    shuttle: Shuttle
    design: Design
    dump: Dump
    pins: PinMap
    options: ImportOptions
    tell: Callable[[str, float], None]
    rows: int = 0

    def run(self) -> ImportedTable:
        """Sample the dump, write the table, replay it."""
        recipe, name = self.options.recipe, self.options.table or table_name(self.dump.path)
        gates = structure(self.design, self.shuttle)
        times: list[NDArray[np.int64]] = []
        with sampled(self.dump, self.pins, self.shuttle, recipe, gates, self.tell) as done:
            head = remarks(self.dump, self.pins, recipe, done)
            waits = Waits(len(head) + 2, self.design)
            columns = tuple(bus.name for bus in self._signals)
            patterns = self._watched(done, waits, times if gates is not None else None)
            lines = chain(Draft(columns, (), head).lines(), pattern_lines(patterns))
            settings = {"reset_cycles": done.reset.cycles}
            path = save_table(self.design, name, lines, settings, replace=self.options.replace)
        names = Names(self.shuttle, self._empty)
        notes = (*notices(self.dump, self.pins, done, names), *waits.sentences)
        spec = _with(TableSpec(name, path, self.design.clock_hz), done)
        return self._replayed(spec, done, notes, times)

    @property
    def _signals(self) -> tuple[Bus, ...]:
        return tuple(bus for bus in self.design.signals if bus not in self.pins.absent)

    @property
    def _empty(self) -> Pattern:
        return Pattern.of(self._signals, drive=np.zeros(0, np.uint32))

    def _patterns(self, done: Sampled) -> Iterator[tuple[Pattern, NDArray[np.int64]]]:
        for pattern, times in done.rows.patterns(done.reset):
            yield replace(pattern, signals=self._signals), times

    def _watched(
        self, done: Sampled, waits: Waits, times: list[NDArray[np.int64]] | None
    ) -> Iterator[Pattern]:
        """Yield the patterns of the table; notes where the bench waits, and when rows were."""
        for pattern, when in self._patterns(done):
            waits.take(pattern)
            self.rows += len(pattern)
            if times is not None:
                times.append(when)
            self.tell("writing", self.rows / max(1, done.observed.rows))
            yield pattern

    def _replayed(
        self, spec: TableSpec, done: Sampled, notes: tuple[str, ...], times: list[NDArray[np.int64]]
    ) -> ImportedTable:
        rehearser = Rehearser(self.shuttle, Cache())
        name = f"{self.design.name}/{spec.name}"
        made = partial(
            ImportedTable, name, spec.path, warnings=tuple(stale_netlists([self.design]))
        )
        if not times:
            rehearsal = rehearser.rehearse(self.design, spec, self._empty)
            return made(rehearsal, self.rows, notes)
        self.tell("replaying", 0)
        pattern = load_table(spec, self.design, self.shuttle)
        rehearsal = rehearser.rehearse(self.design, spec, pattern)
        explanation: tuple[str, ...] = ()
        if rehearsal.result is RehearsalResult.FAILS:
            wrong = rehearser.wrong_cycles(self.design, spec, pattern)
            names = Names(self.shuttle, pattern)
            when = np.concatenate(times)
            places = disagreements(pattern, wrong, when, names, self.dump.tick)
            explanation = (*places, *self._cure(rehearser, spec, done))
        return made(rehearsal, self.rows, notes, explanation)

    def _cure(self, rehearser: Rehearser, spec: TableSpec, done: Sampled) -> Iterator[str]:
        """Sample the dump in other ways, and say which of them the netlist agrees with."""
        if self.rows > MAX_CURED_ROWS:
            return
        ways = list(cures(self.options.recipe, done))
        cured = [option for option, recipe in ways if self._agrees(rehearser, spec, recipe)]
        yield verdict_on_cures(cured, len(ways))

    def _agrees(self, rehearser: Rehearser, spec: TableSpec, recipe: Recipe) -> bool:
        gates = structure(self.design, self.shuttle)
        with sampled(self.dump, self.pins, self.shuttle, recipe, gates, self.tell) as done:
            pattern = joined(pattern for pattern, _ in self._patterns(done))
        spec = _with(TableSpec(spec.name, spec.path, spec.clock_hz), done)
        result = rehearser.rehearse(self.design, spec, pattern).result
        return result is RehearsalResult.PASSES


def _with(spec: TableSpec, done: Sampled) -> TableSpec:
    cycles = done.reset.cycles
    return spec if cycles is None else replace(spec, reset_cycles=cycles)


def table_name(path: Path) -> str:
    """Return the name of a table that is made from a file."""
    return path.stem if is_name(path.stem) else _UNNAMED
