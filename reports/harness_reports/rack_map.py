"""The map of a run: designs × chips, the worst verdict of a design's tables in each cell.

The one rule: what needs a look comes first, in rows and columns alike, and no chip is left out.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass

from harness.records import SEVERITY_ORDER, ChipOverview, Verdict, worst
from harness_reports.looks import Tally, look, tally
from harness_reports.names import chip_name, design_anchor

MAX_COLUMNS = 64
"""Maximum number of chips side by side, which a sheet of A4 still shows; more make more maps."""


@dataclass(frozen=True)
class MapChip:
    """A column: a chip, its page, and the number of its designs that did not pass."""

    slot: str
    name: str
    page: str
    verdict: Verdict
    wrong: int


@dataclass(frozen=True)
class MapRow:
    """A design: per chip its worst verdict (None if it has no table there), and how many failed."""

    design: str
    anchor: str
    verdicts: tuple[Verdict | None, ...]
    wrong: int

    @property
    def shapes(self) -> tuple[str, ...]:
        """The shapes that the row shows, each once."""
        return tuple(dict.fromkeys(look(v).shape for v in self.verdicts if v is not None))


@dataclass(frozen=True)
class RackMap:
    """Chips side by side, and designs below each other, both with the worst first."""

    chips: tuple[MapChip, ...]
    rows: tuple[MapRow, ...]


def verdict_cells(maps: Iterable[RackMap]) -> tuple[Tally, ...]:
    """Count the cells by verdict, for the legend."""
    return tally(v for one in maps for row in one.rows for v in row.verdicts if v is not None)


def rack_maps(chips: Sequence[ChipOverview], pages: Mapping[str, str]) -> tuple[RackMap, ...]:
    """Work out the maps of a run: one, unless there are more chips than a sheet can show."""
    cells = {chip.slot: _worst_by_design(chip) for chip in chips}
    columns = sorted(
        (
            MapChip(
                chip.slot,
                chip_name(chip),
                pages[chip.slot],
                chip.verdict,
                sum(map(_is_wrong, cells[chip.slot].values())),
            )
            for chip in chips
        ),
        key=lambda chip: (SEVERITY_ORDER.index(chip.verdict), -chip.wrong),
    )
    parts = (columns[k : k + MAX_COLUMNS] for k in range(0, len(columns), MAX_COLUMNS))
    return tuple(RackMap(tuple(part), _rows(part, cells)) for part in parts)


def _rows(
    chips: Sequence[MapChip], cells: Mapping[str, Mapping[str, Verdict]]
) -> tuple[MapRow, ...]:
    designs = dict.fromkeys(design for chip in chips for design in cells[chip.slot])
    rows = []
    for design in designs:
        own = tuple(cells[chip.slot].get(design) for chip in chips)
        rows.append(MapRow(design, design_anchor(design), own, sum(map(_is_wrong, own))))
    return tuple(sorted(rows, key=_urgency))


def _urgency(row: MapRow) -> tuple[int, int]:
    return SEVERITY_ORDER.index(worst(v for v in row.verdicts if v is not None)), -row.wrong


def _worst_by_design(chip: ChipOverview) -> dict[str, Verdict]:
    verdicts: dict[str, Verdict] = {}
    for table in chip.tables:
        before = verdicts.get(table.design, Verdict.PASS)
        verdicts[table.design] = worst((before, table.verdict))
    return verdicts


def _is_wrong(verdict: Verdict | None) -> bool:
    return verdict is not None and not verdict.good
