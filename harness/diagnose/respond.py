"""What a design with a fault answers to a table, beside what the chip answered.

The one rule: nothing here evaluates gates. The engine judges the whole table, and then the cycles
that were read back twice more: with only the wrong bits tested, and with only the right ones.
Where the chip was wrong a fault that is judged wrong explains the bit; elsewhere it contradicts it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

import harness.netlist
from harness.diagnose.evidence import Answered
from harness.netlist import Lane, Netlist, Pin, Rows
from harness.rehearse import STATES, judge_each

Counts = NDArray[np.int64]
Floats = NDArray[np.float64]

LIMIT_HZ = 1.0
"""What nets that are tried as slow can do at most."""
SLOW_HZ = 2
"""A rate at which they are late."""

_EXACT, _OTHER, _NEVER = 0.8, 0.006, 1e-9
"""Probability of a failure where its signature is predicted; of another one, times the square of
the overlap; and at least."""
_PASSES, _PASSES_YET = 0.99, 1e-4
"""Probability of a pass where it is predicted, and where the table is predicted to fail."""


@dataclass(frozen=True, eq=False)
class Runner:
    """A netlist, its pins, and the number of power-up states from which it is judged."""

    netlist: Netlist
    pins: Sequence[Pin]
    states: int = STATES

    def judge(self, lanes: Sequence[Lane], rows: Rows, lead: int) -> harness.netlist.Verdicts:
        """Judge every lane from every power-up state, the states of a lane one after the other."""
        return judge_each(self.netlist, self.pins, lanes, rows, lead, self.states, clock_hz=SLOW_HZ)


@dataclass(frozen=True, eq=False)
class Response:
    """What lanes answer to one table: all arrays are ``(lanes, states)``, ``counts`` with lines."""

    signature: Counts
    counts: Counts
    first: Counts
    fails: NDArray[np.bool_]

    def take(self, lanes: Counts) -> Response:
        """The same of some lanes."""
        return Response(*(column[lanes] for column in vars(self).values()))


def respond(runner: Runner, lanes: Sequence[Lane], table: Answered) -> Response:
    """Run a whole table in every lane."""
    done = runner.judge(lanes, table.rows, table.lead)
    shape = (len(lanes), runner.states)
    return Response(
        done.signature.astype(np.int64).reshape(shape),
        done.pin_counts.reshape(*shape, -1),
        done.first_cycle.reshape(shape),
        ((done.wrong_cycles > 0) & ~done.unsettled).reshape(shape),
    )


@dataclass(frozen=True, eq=False)
class Fit:
    """How lanes explain a failing table, bit by bit; all arrays are ``(lanes, states)``."""

    exact: NDArray[np.bool_]
    explained: Counts
    missed: Counts
    contradicted: Counts

    def with_(self, lanes: Counts, others: Fit) -> Fit:
        """The same with other figures of some lanes."""
        columns = [column.copy() for column in vars(self).values()]
        for column, other in zip(columns, vars(others).values(), strict=True):
            column[lanes] = other
        return Fit(*columns)

    @property
    def overlap(self) -> Floats:
        """Bits that are explained, of all that are seen or predicted; 0 to 1."""
        whole = self.explained + self.missed + self.contradicted
        found: Floats = self.explained / np.maximum(whole, 1)
        return found

    @property
    def likely(self) -> Floats:
        """Probability of the answer, ``(lanes,)``: the mean of the power-up states."""
        other = _OTHER * self.overlap**2
        found: Floats = np.where(self.exact, _EXACT, other).mean(axis=1) + _NEVER
        return found


def roughly(table: Answered, response: Response) -> Fit:
    """Compare by what was counted on each line; right only where it matches exactly."""
    seen, exact = table.counts, _exact(table, response)
    common = np.minimum(response.counts, seen).sum(axis=2)
    return Fit(exact, common, seen.sum() - common, response.counts.sum(axis=2) - common)


def closely(runner: Runner, lanes: Sequence[Lane], table: Answered, response: Response) -> Fit:
    """Compare bit by bit in the cycles that were read back; by counts where none were."""
    if not table.bits:
        return roughly(table, response)
    wrong, right = (
        runner.judge(lanes, rows, table.lead).pin_counts.sum(axis=1).reshape(len(lanes), -1)
        for rows in table.seen_rows()
    )
    return Fit(_exact(table, response), wrong, table.bits - wrong, right)


def _exact(table: Answered, response: Response) -> NDArray[np.bool_]:
    same: NDArray[np.bool_] = np.isin(response.signature, list(table.signatures))
    return same & response.fails


def passes(response: Response) -> Floats:
    """Probability that a table passes, ``(lanes,)``: the mean of the power-up states."""
    found: Floats = np.where(response.fails, _PASSES_YET, _PASSES).mean(axis=1)
    return found
