"""The map of a run's pins and slots: what the continuity test proved, and what causes suspect.

The one rule: what is suspected comes first, and nothing counts as proven that no test proved.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from harness.records import Cause, PinState, RunOverview
from harness_reports.looks import Look
from harness_reports.names import pin_anchor
from harness_reports.rack_map import MapCell, RackMap, rack_maps

PIN_LOOKS = {
    PinState.SUSPECTED: Look("suspected", "error"),
    PinState.NOT_PROVEN: Look("not proven", "not-run"),
    PinState.PROVEN: Look("reaches the chip", "pass"),
}
"""The words of a state, and its shape, as those of verdicts."""


def pin_maps(run: RunOverview, pages: Mapping[str, str]) -> tuple[RackMap, ...]:
    """Work out the maps: none if the run has no continuity test and no cause names a pin."""
    cells = {chip.slot: dict(_cells(run, chip.slot, pages[chip.slot])) for chip in run.chips}
    return rack_maps(run.chips, pages, cells, lambda _: 0) if any(cells.values()) else ()


def _cells(run: RunOverview, slot: str, page: str) -> Iterator[tuple[str, MapCell]]:
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


def _cell(state: PinState, page: str, cause: tuple[int, Cause] | None) -> MapCell:
    look, suspected = PIN_LOOKS[state], state is PinState.SUSPECTED
    text = f"{look.word}, cause {cause[1].key}" if cause else look.word
    return MapCell(look.shape, text, page, int(not suspected), suspected)
