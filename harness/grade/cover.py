"""The cheapest choice that covers everything, by the solver HiGHS.

The one rule: whether the choice is proven to be the cheapest is always said.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import coo_array

from harness.grade.faults import Faults, Flags

MAX_SECONDS = 60.0
"""How long the solver looks for a cheaper choice."""


class Covering(NamedTuple):
    """Things to choose from: all arrays have one entry for each.

    ``cost``: of each alone. ``after``: the one that must be chosen with it, or -1.
    """

    cost: Faults
    after: Faults


class Choice(NamedTuple):
    """What is chosen, and the cost that no choice is below."""

    chosen: Flags
    least: int


def cheapest(things: Covering, covered: Faults, by: Faults) -> Choice:
    """Choose things so that each number in ``covered`` has one that covers it.

    ``covered`` and ``by`` are pairs: what is covered, and the thing that covers it. If time runs
    out before anything was found, all are chosen.
    """
    count = len(things.cost)
    if not count:
        return Choice(np.zeros(0, dtype=np.bool_), 0)
    _, rows = np.unique(covered, return_inverse=True)
    cover = coo_array((np.ones(len(by)), (rows, by)), shape=(int(rows.max()) + 1, count))
    later = np.flatnonzero(things.after >= 0)
    place = np.arange(len(later))
    signs = np.concatenate((np.ones(len(later)), -np.ones(len(later))))
    ends = np.concatenate((things.after[later], later))
    order = coo_array((signs, (np.tile(place, 2), ends)), shape=(len(later), count))
    limits = [LinearConstraint(cover.tocsr(), lb=1)]
    limits += [LinearConstraint(order.tocsr(), lb=0)] if len(later) else []
    solved = milp(
        things.cost.astype(np.float64),
        integrality=np.ones(count),
        bounds=Bounds(0, 1),
        constraints=limits,
        options={"time_limit": MAX_SECONDS, "mip_rel_gap": 0.0},
    )
    bound = solved.mip_dual_bound
    least = int(np.ceil(bound - 1e-6)) if bound is not None and np.isfinite(bound) else 0
    if solved.x is None:
        return Choice(np.ones(count, dtype=np.bool_), least)
    chosen: NDArray[np.bool_] = solved.x > 0.5
    return Choice(chosen, least)
