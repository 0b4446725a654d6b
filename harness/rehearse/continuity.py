"""The continuity test: the fewest tables that together find every open, short and exchange.

The one rule: a pin is proven when tables that passed rule out everything that may be wrong with
its connection, by the computed predictions. Nothing is proven by being likely.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from harness.records import CauseKind
from harness.rehearse.hypotheses import Hypothesis
from harness.rehearse.predict import Key, Predictions

DESIGNS = 2
"""Number of designs that convict each fault where possible: one of them may be defective."""
START = 200
"""What it costs to select a design and start its table, in cycles."""
_KINDS = (
    CauseKind.OPEN,
    CauseKind.NO_CLOCK,
    CauseKind.STUCK,
    CauseKind.RESET_HELD,
    CauseKind.RESET_NEVER,
    CauseKind.SHORT,
    CauseKind.EXCHANGED,
    CauseKind.SELECTION,
)


def unconvicted(predictions: Predictions, tables: Iterable[Key]) -> tuple[Hypothesis, ...]:
    """Return the faults of connections that none of these tables convicts."""
    convicted = np.zeros(len(predictions.hypotheses), dtype=np.bool_)
    for key in tables:
        if key in predictions.tables:
            convicted |= predictions.tables[key].convicts
    return tuple(predictions.hypotheses[k] for k in _faults(predictions) if not convicted[k])


def pins_proven(predictions: Predictions, passed: Iterable[Key]) -> dict[str, tuple[Key, ...]]:
    """Return for each pin passed tables that suffice to prove it, none if it is not proven.

    A pin is proven when each of its faults is convicted by at least one of them.
    """
    tables = {key: predictions.tables[key].convicts for key in passed if key in predictions.tables}
    by_pin: dict[str, list[int]] = {pin: [] for pin in predictions.pins}
    for fault in _faults(predictions):
        for pin in predictions.hypotheses[fault].pins:
            by_pin[pin].append(fault)
    return {pin: _sufficient(tables, faults) for pin, faults in by_pin.items()}


def _sufficient(tables: Mapping[Key, NDArray[np.bool_]], faults: Sequence[int]) -> tuple[Key, ...]:
    """Take the tables that convict most of what is left, until nothing is; none if they cannot."""
    chosen: list[Key] = []
    left = np.array(faults, dtype=np.int64)
    while len(left):
        best = max(tables, key=lambda key: int(tables[key][left].sum()), default=None)
        if best is None or not tables[best][left].any():
            return ()
        chosen.append(best)
        left = left[~tables[best][left]]
    return tuple(chosen)


def is_fault(hypothesis: Hypothesis) -> bool:
    """Whether the test is for this: faults of one pin, exchanges, and shorts of neighbours."""
    distant = hypothesis.prior < hypothesis.kind.prior
    return hypothesis.kind in _KINDS and not (hypothesis.kind is CauseKind.SHORT and distant)


def _faults(predictions: Predictions) -> list[int]:
    return [k for k, hypothesis in enumerate(predictions.hypotheses) if is_fault(hypothesis)]


def fewest_tables(predictions: Predictions) -> tuple[Key, ...]:
    """Choose the tables of a continuity test, in the order in which to run them.

    Each fault is convicted by two designs where two can; long tables and those of designs without
    gates are not chosen. They cover greedily, by what each adds for its cycles; then what is not
    needed is left out, the longest tables first.
    """
    faults = _faults(predictions)
    convicts = {key: table.convicts[faults] for key, table in predictions.tables.items()}
    cost = {key: START + predictions.cycles[key] for key in convicts}
    wanted = _by_designs(convicts, convicts)
    chosen: list[Key] = []
    while (_by_designs(convicts, chosen) < wanted).any():
        now = _by_designs(convicts, chosen)
        gains = {
            key: int((_by_designs(convicts, [*chosen, key]) - now).sum()) / cost[key]
            for key in convicts
        }
        chosen.append(max(gains, key=lambda key: gains[key]))
    for key in sorted(chosen, key=lambda key: -cost[key]):
        rest = [other for other in chosen if other != key]
        if (_by_designs(convicts, rest) >= wanted).all():
            chosen = rest
    return tuple(sorted(chosen, key=lambda key: cost[key]))


def _by_designs(
    convicts: Mapping[Key, NDArray[np.bool_]], chosen: Collection[Key]
) -> NDArray[np.int64]:
    """Count for each fault the designs that convict it, up to those wanted."""
    some = next(iter(convicts.values()), np.zeros(0, np.bool_))
    count = np.zeros(len(some), dtype=np.int64)
    for design in {design for design, _ in chosen}:
        tables = [convicts[key] for key in chosen if key[0] == design]
        count += np.any(tables, axis=0)
    capped: NDArray[np.int64] = np.minimum(count, DESIGNS)
    return capped
