"""Blocks of cells, from whatever kind of file, into one pattern.

One rule: rows are never looked at one by one; a finding about a row asks the block where it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.errors import Location
from harness.shuttle import Design, Direction, Shuttle, TableSpec
from harness.table.columns import Cells, Coded
from harness.table.complaints import Complaints
from harness.table.header import Heading, default_levels, signal_of
from harness.table.latency import apply_latency
from harness.table.pattern import Pattern, Words
from harness.table.repeats import decode_repeats
from harness.table.texts import RowTexts
from harness.table.words import FIELDS, BlockWords, ColumnDecoder, Locate, RowPlace


@dataclass
class Assembler:
    """Collects the blocks of one table."""

    spec: TableSpec
    design: Design
    shuttle: Shuttle
    heading: Heading
    complaints: Complaints
    rows: int = 0
    parts: dict[str, list[NDArray[np.generic]]] = field(default_factory=dict)
    texts: dict[str, list[RowTexts]] = field(default_factory=dict)
    decoders: list[ColumnDecoder] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.decoders = [
            ColumnDecoder(number, column, self.complaints)
            for number, column in self.heading.signals.items()
        ]
        self.idle_enable, self.idle_drive = self._idle()

    def _idle(self) -> tuple[int, int]:
        """Pins that no column mentions but that must not float, and their levels."""
        mentioned = 0
        for column in self.heading.signals.values():
            mentioned |= column.bus.mask
        kinds = (Direction.INPUT, Direction.CLOCK, Direction.RESET)
        needed = self.shuttle.mask(*kinds)
        for signal in self.design.signals:
            if signal.direction is Direction.INPUT:
                needed |= signal.mask
        enable = needed & ~mentioned
        return enable, default_levels(self.shuttle) & enable

    def add(self, cells: Mapping[int, Cells], line: NDArray[np.int32], locate: Locate) -> None:
        """Add a block: cells by column number, the line of each row, and where a cell stands."""
        words = BlockWords.start(len(line), self.idle_drive, self.idle_enable)
        for decoder in self.decoders:
            decoder.decode(cells[decoder.number], words, locate)
        repeat, until = self._repeats(cells, words, len(line), locate)
        if self.spec.gap_free:
            self._check_gap_free(
                until | (words.highz != 0), lambda row: Location(self.spec.path, int(line[row]))
            )
        for name in FIELDS:
            self._keep(name, getattr(words, name))
        self._keep("repeat", repeat)
        self._keep("until", until)
        self._keep("line", line)
        for name in ("label", "note"):
            if name in self.heading.reserved:
                self._keep_texts(name, cells[self.heading.reserved[name]])
        self.rows += len(line)

    def _keep(self, name: str, part: NDArray[np.generic]) -> None:
        self.parts.setdefault(name, []).append(part)

    def _keep_texts(self, name: str, cells: Cells) -> None:
        assert isinstance(cells, Coded)
        texts = np.array(cells.texts, dtype=object)
        whole = "".join(cells.texts)
        if " " in whole or not whole.isprintable():  # every other space is not printable
            texts[:] = [text.strip() for text in cells.texts]
        filled = (texts != "").astype(np.bool_)
        rows = np.flatnonzero(filled[cells.codes])
        kept = RowTexts.of(rows + self.rows, texts[cells.codes[rows]].tolist())
        self.texts.setdefault(name, []).append(kept)

    def _repeats(
        self, cells: Mapping[int, Cells], words: BlockWords, rows: int, locate: Locate
    ) -> tuple[Words, NDArray[np.bool_]]:
        number = self.heading.reserved.get("repeat")
        if number is None:
            return np.ones(rows, np.uint32), np.zeros(rows, np.bool_)
        repeat, until = decode_repeats(number, cells[number], self.complaints, locate)
        if until.any():
            self._check_until(until, words, lambda row: locate(row, number))
        return repeat, until

    def _check_until(self, until: NDArray[np.bool_], words: BlockWords, place: RowPlace) -> None:
        """Refuse an ``until`` that has nothing to wait for, or not what a board can wait for."""
        if any(self.spec.latency.values()):
            self._refuse_rows(
                until,
                "until-with-latency",
                "until cannot be used in a table with a latency",
                "write the count, or drop the latency",
                place,
            )
            return
        self._refuse_rows(
            until & (words.highz != 0),
            "until-with-z",
            "until cannot wait for high impedance",
            "test Z in a row of its own",
            place,
        )
        self._refuse_rows(
            until & (words.care == 0) & (words.highz == 0),
            "until-tests-nothing",
            "until has nothing to wait for: no output is tested in this row",
            "write H, L or a number on an output, or a plain count",
            place,
        )

    def _check_gap_free(self, pauses: NDArray[np.bool_], place: RowPlace) -> None:
        """Refuse rows that no board can run without a pause, where the table demands that."""
        self._refuse_rows(
            pauses,
            "pause-in-gap-free",
            "a test for Z or an until makes the clock pause, and the table's gap_free forbids it",
            "take the row out, or drop gap_free",
            place,
        )

    def _refuse_rows(
        self,
        rows: NDArray[np.bool_],
        rule: str,
        message: str,
        advice: str,
        place: RowPlace,
    ) -> None:
        for row in np.flatnonzero(rows)[:200].tolist():
            self.complaints.error(rule, place(row), message, advice)

    def finish(self, sha256: str) -> Pattern | None:
        """Return the pattern of all blocks, or None when there is none to be had."""
        if not self.rows:
            return None
        arrays = {name: _joined(self.parts, name) for name in list(self.parts)}
        pattern = Pattern(
            **arrays,  # type: ignore[arg-type]  # built by name from the same list of fields
            signals=tuple(column.bus for column in self.heading.signals.values()),
            labels=RowTexts.joined(self.texts.get("label", [])),
            notes=RowTexts.joined(self.texts.get("note", [])),
            sha256=sha256,
        )
        self._check_tests_something(pattern)
        return apply_latency(pattern, self._latency_masks(), self.complaints)

    def _check_tests_something(self, pattern: Pattern) -> None:
        if not pattern.care.any() and not pattern.highz.any() and not self.complaints.fatal:
            self.complaints.error(
                "nothing-tested",
                Location(self.spec.path),
                "no row tests an output, so no chip could fail",
                "write H, L, Z or numbers in the columns of outputs",
            )

    def _latency_masks(self) -> dict[int, int]:
        """Pins by latency, for latencies above 0."""
        masks: dict[int, int] = {}
        for column in self.heading.signals.values():
            cycles = self.spec.latency.get(signal_of(column.bus.name, self.design), 0)
            if cycles:
                masks[cycles] = masks.get(cycles, 0) | column.bus.mask
        return masks


def _joined(parts: dict[str, list[NDArray[np.generic]]], name: str) -> NDArray[np.generic]:
    """Join one field's parts and let go of them, so that two copies of one field is the most."""
    return np.concatenate(parts.pop(name))
