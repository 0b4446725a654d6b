"""The predictions of a run's tables as arrays over tables, hypotheses and power-up states.

One rule: computed once for a run; whatever a slot is asked about is a row of these.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from harness.records import CauseKind
from harness.rehearse import Hypothesis, Predictions, TablePrediction

Bools = NDArray[np.bool_]
Words = NDArray[np.uint32]
Key = tuple[str, str]


@dataclass(frozen=True, eq=False)
class Book:
    """What every hypothesis says of every table; ``(tables, hypotheses, states)``.

    ``drives`` and ``tests`` are masks a table. ``known`` ``(tables, hypotheses)`` says where there
    is a prediction; the rest is zero there, and only the masks tell something. ``swings``: the
    prediction is one way out of many.
    """

    predictions: Predictions
    keys: tuple[Key, ...]
    cycles: NDArray[np.int64]
    pins: Words
    signature: Words
    floated: Words
    drives: Words
    tests: Words
    known: Bools
    swings: Bools

    @cached_property
    def place(self) -> Mapping[Key, int]:
        """The row of each table."""
        return {key: row for row, key in enumerate(self.keys)}

    @cached_property
    def bits(self) -> Mapping[str, int]:
        """The bit of each pin."""
        return {pin: bit for bit, pin in enumerate(self.predictions.pins)}

    @property
    def hypotheses(self) -> Sequence[Hypothesis]:
        """The hypotheses, the healthy slot first."""
        return self.predictions.hypotheses

    @cached_property
    def touched(self) -> Words:
        """The pins that each hypothesis is about; all of them where it is about the whole chip."""
        everything = (1 << len(self.bits)) - 1
        whole = [0 if h.kind is CauseKind.GOOD else everything for h in self.hypotheses]
        named = [sum(1 << self.bits[pin] for pin in h.pins) for h in self.hypotheses]
        return np.where(named, named, whole).astype(np.uint32)

    @cached_property
    def undriven(self) -> Words:
        """The pins that under each hypothesis nothing of the chip ever drives."""
        kinds = {CauseKind.OPEN, CauseKind.OPEN_NEIGHBOURS}
        opens = np.array([h.kind in kinds for h in self.hypotheses])
        found: Words = np.where(opens, self.touched, np.uint32(0))
        return found

    @cached_property
    def turned(self) -> Bools:
        """Which hypotheses are of a chip that is turned round."""
        return np.array([h.kind is CauseKind.TURNED for h in self.hypotheses])

    @cached_property
    def unreset(self) -> Bools:
        """Which hypotheses leave the state from run to run, so that a steady answer is chance."""
        return np.array([h.kind is CauseKind.RESET_NEVER for h in self.hypotheses])

    @cached_property
    def exact(self) -> Bools:
        """Which hypotheses only choose the design that answers: it answers as predicted or not."""
        kinds = {CauseKind.SELECTION, CauseKind.SELECTION_BIT, CauseKind.OTHER_SHUTTLE}
        return np.array([h.kind in kinds for h in self.hypotheses])

    @cached_property
    def silent(self) -> Bools:
        """Which hypotheses are that no design answers at all, whatever is selected."""
        kinds = [h.kind for h in self.hypotheses]
        if CauseKind.NO_SUPPLY not in kinds:
            return np.zeros(len(kinds), dtype=np.bool_)
        nothing = self.floated[:, kinds.index(CauseKind.NO_SUPPLY), None]
        differs = np.not_equal(self.floated, nothing).any(axis=2) & self.known
        found: Bools = np.asarray(~differs.any(axis=0) & self.known.any(axis=0))
        return found

    @cached_property
    def fails(self) -> Bools:
        """Whether a table fails, ``(tables, hypotheses, states)``."""
        found: Bools = np.greater(self.cycles, 0)
        return found

    @cached_property
    def ever(self) -> Words:
        """Pins that are wrong from some power-up state, ``(tables, hypotheses)``."""
        found: Words = np.bitwise_or.reduce(self.pins, axis=2)
        return found

    @cached_property
    def always(self) -> Bools:
        """Whether it fails in every power-up state."""
        found: Bools = np.asarray(self.fails.all(axis=2))
        return found

    @cached_property
    def varies(self) -> Bools:
        """Whether the power-up state changes the answer."""
        differs = np.not_equal(self.signature, self.signature[:, :, :1])
        return np.asarray(differs.any(axis=2))


def book_of(predictions: Predictions, keys: Iterable[Key]) -> Book:
    """Stack the predictions of these tables; those that are not predicted are left out."""
    known = tuple(dict.fromkeys(key for key in keys if key in predictions.tables))
    tables = [predictions.tables[key] for key in known]
    shape = (len(predictions.hypotheses), _states(tables))

    def stacked(name: str, kind: type[np.generic]) -> NDArray[Any]:
        columns = [getattr(table, name) for table in tables]
        return np.array(columns, dtype=kind).reshape(len(tables), *shape)

    return Book(
        predictions,
        known,
        stacked("wrong_cycles", np.int64),
        stacked("pins", np.uint32),
        stacked("signature", np.uint32),
        stacked("floated", np.uint32),
        np.array([table.drives for table in tables], dtype=np.uint32),
        np.array([table.tests for table in tables], dtype=np.uint32),
        np.asarray(stacked("known", np.bool_).all(axis=2)),
        np.asarray(stacked("swings", np.bool_).any(axis=2)),
    )


def _states(tables: Sequence[TablePrediction]) -> int:
    return tables[0].wrong_cycles.shape[1] if tables else 1
