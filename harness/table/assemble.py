"""Turns blocks of cells, from any kind of file, into one pattern.

One rule: no loop over rows; a finding about a row asks the block for its place.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.errors import Findings, Location
from harness.shuttle import Design, Direction, Shuttle, TableSpec
from harness.table.columns import Cells, Coded, RowTexts
from harness.table.header import Heading, Place, read_heading
from harness.table.latency import apply_latency
from harness.table.pattern import Pattern
from harness.table.symbols import PLANES, Words
from harness.table.words import ColumnDecoder, Locate, decode_repeats

RowPlace = Callable[[int], Location]
"""Row of the block → place of its cell in the column in question."""


@dataclass
class Assembler:
    """Collects the blocks of one table: :meth:`head` first, then :meth:`add`, then the pattern."""

    spec: TableSpec
    design: Design
    shuttle: Shuttle
    findings: Findings
    heading: Heading = field(init=False)
    decoders: list[ColumnDecoder] = field(init=False)
    idle: dict[str, int] = field(init=False)
    rows: int = 0
    parts: list[dict[str, NDArray[np.generic]]] = field(default_factory=list)
    labels: list[RowTexts] = field(default_factory=list)

    def head(self, names: Sequence[str], place: Place) -> Heading:
        """Take the cells of the header row."""
        self.heading = read_heading(names, self.design, self.shuttle, self.findings, place)
        self.decoders = [
            ColumnDecoder(number, column, self.findings)
            for number, column in self.heading.signals.items()
        ]
        self.idle = self._idle()
        return self.heading

    def _idle(self) -> dict[str, int]:
        """Levels of the pins that no column drives but that must not float."""
        needed = self.shuttle.mask(Direction.INPUT, Direction.CLOCK, Direction.RESET)
        for signal in self.design.signals:
            if signal.direction is Direction.INPUT:
                needed |= signal.mask
        for column in self.heading.signals.values():
            needed &= ~column.bus.mask
        return {"enable": needed, "drive": self.shuttle.rest_levels[0] & needed}

    def add(self, cells: Mapping[int, Cells], line: NDArray[np.int32], locate: Locate) -> None:
        """Add a block: cells by column number, the line of each row, and the place of a cell."""
        rows = len(line)
        words = {name: np.full(rows, self.idle.get(name, 0), np.uint32) for name in PLANES}
        for decoder in self.decoders:
            decoder.decode(cells[decoder.number], words, locate)
        repeat, until = np.ones(rows, np.uint32), np.zeros(rows, np.bool_)
        number = self.heading.reserved.get("repeat")
        if number is not None:
            repeat, until = decode_repeats(number, cells[number], self.findings, locate)
            self._check_until(until, words, lambda row: locate(row, number))
        if self.spec.gap_free:
            self._refuse_rows(
                until | (words["highz"] != 0),
                "pause-in-gap-free",
                "a test for Z or an until pauses the clock, which gap_free forbids",
                "remove the row, or remove gap_free from design.toml",
                lambda row: Location(self.spec.path, int(line[row])),
            )
        self.parts.append({**words, "repeat": repeat, "until": until, "line": line})
        if "label" in self.heading.reserved:
            self.labels.append(self._row_texts(cells[self.heading.reserved["label"]]))
        self.rows += rows

    def _row_texts(self, cells: Cells) -> RowTexts:
        assert isinstance(cells, Coded)
        texts = np.array(cells.texts, dtype=object)
        whole = "".join(cells.texts)
        if " " in whole or not whole.isprintable():  # every other space is not printable
            texts[:] = [text.strip() for text in cells.texts]
        rows = np.flatnonzero((texts != "").astype(np.bool_)[cells.codes])
        return RowTexts.of(rows + self.rows, texts[cells.codes[rows]].tolist())

    def _check_until(
        self, until: NDArray[np.bool_], words: Mapping[str, Words], place: RowPlace
    ) -> None:
        """Refuse an ``until`` without anything that a board could wait for."""
        if any(self.spec.latency.values()):
            self._refuse_rows(
                until,
                "until-with-latency",
                "until cannot be used in a table with a latency",
                "write a count, or remove the latency",
                place,
            )
            return
        self._refuse_rows(
            until & (words["highz"] != 0),
            "until-with-z",
            "until cannot wait for high impedance",
            "test Z in a row of its own",
            place,
        )
        self._refuse_rows(
            until & (words["care"] == 0) & (words["highz"] == 0),
            "until-tests-nothing",
            "until has nothing to wait for: no output is tested in this row",
            "write H, L or a number on an output, or use a plain count",
            place,
        )

    def _refuse_rows(
        self, rows: NDArray[np.bool_], rule: str, message: str, advice: str, place: RowPlace
    ) -> None:
        for row in np.flatnonzero(rows)[:200].tolist():
            self.findings.error(rule, place(row), message, advice)

    def finish(self, sha256: str) -> Pattern | None:
        """Return the pattern of all blocks, or None without any rows."""
        if not self.rows:
            return None
        arrays = {  # each part is released at once, so at most one array is held twice
            name: np.concatenate([part.pop(name) for part in self.parts])
            for name in list(self.parts[0])
        }
        pattern = Pattern(
            **arrays,
            signals=tuple(column.bus for column in self.heading.signals.values()),
            labels=RowTexts.joined(self.labels),
            sha256=sha256,
        )
        if not (pattern.tested.any() or self.findings.errors):
            self.findings.error(
                "nothing-tested",
                Location(self.spec.path),
                "no row tests an output, so no chip could fail",
                "write H, L, Z or numbers in the output columns",
            )
        return apply_latency(pattern, self._latency_masks(), self.spec.path, self.findings)

    def _latency_masks(self) -> dict[int, int]:
        """Pins by latency, for latencies above 0."""
        masks: dict[int, int] = {}
        for column in self.heading.signals.values():
            cycles = self.spec.latency.get(column.signal, 0)
            if cycles:
                masks[cycles] = masks.get(cycles, 0) | column.bus.mask
        return masks
