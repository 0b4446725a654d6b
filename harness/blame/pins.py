"""Pin by pin: what a slot's continuity test and its causes say of the connections. Pure.

One rule: a pin is proven by tables that passed and nothing else; a suspected pin is never proven.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace

from harness.records import Cause, Origin, Outcome, PinProof, PinState, SlotPins, Verdict
from harness.rehearse import Predictions, pins_proven

AT_ODDS_THAT_MATTER = 1 / 20
"""How probable an explanation must be in relation to the best one, to count."""


def board_causes(causes: Iterable[Cause]) -> tuple[Cause, ...]:
    """Return the causes that are most likely a connection or the board, not a defect in a design.

    Dead pads are among them: they cannot be told from connections.
    """
    firsts = ((cause, next(iter(cause.candidates), None)) for cause in causes)
    return tuple(
        cause
        for cause, first in firsts
        if first is not None and (first.pins or first.kind.party is Origin.BOARD)
    )


def prove_pins(
    test: SlotPins, outcomes: Iterable[Outcome], predictions: Predictions, causes: Iterable[Cause]
) -> SlotPins:
    """Add to a slot's continuity test what it proves: every pin of the chip has its state.

    Tables of the test prove first; other ``outcomes`` of the slot may prove what those cannot.
    """
    suspects = _suspects(test.slot, causes)
    passed = [
        (outcome.design, outcome.table)
        for outcome in (*test.extras, *outcomes)
        if outcome.verdict is Verdict.PASS and not outcome.floating
    ]
    own = [key for key in passed if "/".join(key) in test.tables]
    by_test, by_all = pins_proven(predictions, own), pins_proven(predictions, passed)
    pins = []
    for pin in predictions.pins:
        tables = tuple("/".join(key) for key in by_test[pin] or by_all[pin])
        if pin in suspects:
            pins.append(PinProof(pin, PinState.SUSPECTED, (), suspects[pin]))
        else:
            state = PinState.PROVEN if tables else PinState.NOT_PROVEN
            pins.append(PinProof(pin, state, tables, ""))
    return replace(test, pins=tuple(pins))


def _suspects(slot: str, causes: Iterable[Cause]) -> Mapping[str, str]:
    """Pins that an explanation of a cause of this slot names, and the key of that cause."""
    return {
        pin: cause.key
        for cause in causes
        if slot in cause.slots
        for candidate in cause.candidates
        if candidate.odds >= AT_ODDS_THAT_MATTER
        for pin in candidate.pins
    }
