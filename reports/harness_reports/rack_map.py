"""Maps of a run, chips side by side: the worst verdict of each design, or what else is known there.

The one rule: what needs a look comes first, in rows and columns alike, and no chip is left out.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass

from harness.records import SEVERITY_ORDER, ChipOverview, Verdict, worst
from harness_reports.looks import Look, Tally, look
from harness_reports.names import chip_name, design_anchor

MAX_COLUMNS = 64
"""Maximum number of chips side by side, which a sheet of A4 still shows; more make more maps."""


@dataclass(frozen=True)
class MapChip:
    """A column: a chip, its page, and the number of its cells that are ``wrong``."""

    slot: str
    name: str
    page: str
    verdict: Verdict
    wrong: int


@dataclass(frozen=True)
class MapCell:
    """What is known of a row on a chip: its shape and words, and where a page says more of it.

    Rows stand by their least ``rank``; those with most cells that are ``wrong`` first.
    """

    shape: str
    text: str
    page: str
    rank: int
    wrong: bool


@dataclass(frozen=True)
class MapRow:
    """A design, or a pin: per chip its cell, None where it has none."""

    name: str
    cells: tuple[MapCell | None, ...]

    @property
    def known(self) -> tuple[MapCell, ...]:
        """The cells that there are, at least one."""
        return tuple(cell for cell in self.cells if cell is not None)

    @property
    def wrong(self) -> int:
        """How many cells are wrong."""
        return sum(cell.wrong for cell in self.known)

    @property
    def shapes(self) -> tuple[str, ...]:
        """The shapes that the row shows, each once."""
        return tuple(dict.fromkeys(cell.shape for cell in self.known))


@dataclass(frozen=True)
class RackMap:
    """Chips side by side, and designs or pins below each other, both with the worst first."""

    chips: tuple[MapChip, ...]
    rows: tuple[MapRow, ...]


def map_cells(maps: Iterable[RackMap], looks: Iterable[Look]) -> tuple[Tally, ...]:
    """Count the cells by their looks, for the legend."""
    counts = Counter(cell.shape for one in maps for row in one.rows for cell in row.known)
    return tuple(Tally(one, counts[one.shape]) for one in looks if counts[one.shape])


def verdict_maps(chips: Sequence[ChipOverview], pages: Mapping[str, str]) -> tuple[RackMap, ...]:
    """Work out the maps of a run's verdicts."""
    cells = {chip.slot: _verdict_cells(chip, pages[chip.slot]) for chip in chips}
    return rack_maps(chips, pages, cells, SEVERITY_ORDER.index)


def rack_maps(
    chips: Sequence[ChipOverview],
    pages: Mapping[str, str],
    cells: Mapping[str, Mapping[str, MapCell]],
    rank: Callable[[Verdict], int],
) -> tuple[RackMap, ...]:
    """Work out maps of cells by slot and name: one, unless more chips than a sheet can show.

    Chips stand by the ``rank`` of their verdicts; those with most cells that are wrong first.
    """
    columns = []
    for chip in chips:
        slot, wrong = chip.slot, sum(cell.wrong for cell in cells[chip.slot].values())
        columns.append(MapChip(slot, chip_name(chip), pages[slot], chip.verdict, wrong))
    columns.sort(key=lambda chip: (rank(chip.verdict), -chip.wrong))
    parts = (columns[k : k + MAX_COLUMNS] for k in range(0, len(columns), MAX_COLUMNS))
    return tuple(RackMap(tuple(part), _rows(part, cells)) for part in parts)


def _rows(
    chips: Sequence[MapChip], cells: Mapping[str, Mapping[str, MapCell]]
) -> tuple[MapRow, ...]:
    names = dict.fromkeys(name for chip in chips for name in cells[chip.slot])
    rows = (MapRow(name, tuple(cells[chip.slot].get(name) for chip in chips)) for name in names)
    return tuple(sorted(rows, key=lambda row: (min(c.rank for c in row.known), -row.wrong)))


def _verdict_cells(chip: ChipOverview, page: str) -> dict[str, MapCell]:
    verdicts: dict[str, Verdict] = {}
    for table in chip.tables:
        before = verdicts.get(table.design, Verdict.PASS)
        verdicts[table.design] = worst((before, table.verdict))
    return {
        name: _cell(verdict, f"{page}#{design_anchor(name)}") for name, verdict in verdicts.items()
    }


def _cell(verdict: Verdict, page: str) -> MapCell:
    rank = SEVERITY_ORDER.index(verdict)
    return MapCell(look(verdict).shape, str(verdict), page, rank, not verdict.good)
