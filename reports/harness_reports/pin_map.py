"""The map of a run's pins and slots: what the continuity test proved, and what causes suspect.

The one rule: what is suspected comes first, and nothing counts as proven that no test proved.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass

from harness.records import Cause, PinState, RunOverview
from harness_reports.looks import Look, Tally
from harness_reports.names import chip_name, pin_anchor
from harness_reports.rack_map import MAX_COLUMNS, MapChip

_LOOKS = {
    PinState.SUSPECTED: ("error", "suspected"),
    PinState.NOT_PROVEN: ("not-run", "not proven"),
    PinState.PROVEN: ("pass", "reaches the chip"),
}
"""The shape of a state, as those of verdicts, and its words."""


@dataclass(frozen=True)
class PinCell:
    """A pin of a slot: the shape and words of its state, and where its page says more of it."""

    shape: str
    text: str
    page: str


@dataclass(frozen=True)
class PinRow:
    """A pin: per slot its cell, None where nothing is known of it; ``wrong`` are suspected."""

    pin: str
    cells: tuple[PinCell | None, ...]
    wrong: int

    @property
    def shapes(self) -> tuple[str, ...]:
        """The shapes that the row shows, each once."""
        return tuple(dict.fromkeys(cell.shape for cell in self.cells if cell is not None))


@dataclass(frozen=True)
class PinMap:
    """Slots side by side, and pins below each other, those with the most suspected first."""

    chips: tuple[MapChip, ...]
    rows: tuple[PinRow, ...]


def pin_maps(run: RunOverview, pages: Mapping[str, str]) -> tuple[PinMap, ...]:
    """Work out the maps: none if the run has no continuity test and no cause names a pin."""
    cells = {chip.slot: dict(_cells(run, chip.slot, pages[chip.slot])) for chip in run.chips}
    if not any(cells.values()):
        return ()
    wrong = {slot: sum(map(_is_suspected, own.values())) for slot, own in cells.items()}
    columns = [
        MapChip(chip.slot, chip_name(chip), pages[chip.slot], chip.verdict, wrong[chip.slot])
        for chip in sorted(run.chips, key=lambda chip: -wrong[chip.slot])
    ]
    parts = (columns[k : k + MAX_COLUMNS] for k in range(0, len(columns), MAX_COLUMNS))
    return tuple(PinMap(tuple(part), _rows(part, cells)) for part in parts)


def pin_cells(maps: Iterable[PinMap]) -> tuple[Tally, ...]:
    """Count the cells by state, for the legend."""
    cells = (cell for one in maps for row in one.rows for cell in row.cells if cell is not None)
    counts = Counter(cell.shape for cell in cells)
    looks = (Look(words, shape) for shape, words in _LOOKS.values())
    return tuple(Tally(look, counts[look.shape]) for look in looks if counts[look.shape])


def _cells(run: RunOverview, slot: str, page: str) -> Iterator[tuple[str, PinCell]]:
    """Give the pins of a slot; what a cause suspects outweighs what the test says."""
    test = next((test for test in run.continuity if test.slot == slot and test.tables), None)
    causes = _suspecting(run.causes, slot)
    states = {pin.pin: pin.state for pin in test.pins} if test is not None else {}
    for name, state in states.items():
        shown = PinState.SUSPECTED if name in causes else state
        yield name, _cell(shown, f"{page}#{pin_anchor(name)}", causes.get(name))
    for name, (number, cause) in causes.items():
        if name not in states:
            yield name, _cell(PinState.SUSPECTED, f"{page}#cause-{number}", (number, cause))


def _suspecting(causes: Sequence[Cause], slot: str) -> dict[str, tuple[int, Cause]]:
    """Map the pins of a slot to the first cause, with its number, whose likeliest kind names it."""
    named: dict[str, tuple[int, Cause]] = {}
    for number, cause in enumerate(causes, 1):
        if slot in cause.slots:
            for part in next(iter(cause.explanations), ()):
                for pin in part.pins:
                    named.setdefault(pin, (number, cause))
    return named


def _cell(state: PinState, page: str, cause: tuple[int, Cause] | None) -> PinCell:
    shape, text = _LOOKS[state]
    return PinCell(shape, f"{text}, cause {cause[1].key}" if cause else text, page)


def _rows(
    chips: Sequence[MapChip], cells: Mapping[str, Mapping[str, PinCell]]
) -> tuple[PinRow, ...]:
    pins = dict.fromkeys(pin for chip in chips for pin in cells[chip.slot])
    rows = []
    for pin in pins:
        own = tuple(cells[chip.slot].get(pin) for chip in chips)
        rows.append(PinRow(pin, own, sum(map(_is_suspected, own))))
    return tuple(sorted(rows, key=lambda row: -row.wrong))


def _is_suspected(cell: PinCell | None) -> bool:
    return cell is not None and cell.shape == _LOOKS[PinState.SUSPECTED][0]
