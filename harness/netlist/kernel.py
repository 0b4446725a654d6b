"""The compiled loops that evaluate netlists: 64 lanes to a word, one bit of a word a lane.

The one rule: a word is evaluated on its own. Every net holds one uint64 a word; gates are
evaluated in order, then flops take their next state all at once, and again until nothing
changes. Compiled code is kept beside this file (or where ``NUMBA_CACHE_DIR`` says) when that
folder can be written, and compiled anew otherwise.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, NamedTuple, TypeVar, cast

import numba
import numpy as np
from numpy.typing import NDArray

from harness.netlist.model import Tables

Lanes = NDArray[np.uint64]
Function = TypeVar("Function", bound=Callable[..., Any])

SETTLED = -1
"""What :func:`settle` returns when nothing changes any more."""

_ZERO = np.uint64(0)
_ONE = np.uint64(1)


def compiled(function: Function) -> Function:
    """Compile a function with numba; without a cache on disk where no folder can be written."""
    try:
        return cast("Function", numba.njit(cache=True, nogil=True)(function))
    except RuntimeError:  # numba found no folder for its cache
        return cast("Function", numba.njit(nogil=True)(function))


class Memory(NamedTuple):
    """What changes while one word is evaluated.

    ``values`` one entry a net; ``state`` the contents of each flop; ``clocks`` the last clock
    level of each group; ``pending`` and ``active`` are scratch space, one entry a flop and one a
    group.
    """

    values: Lanes
    state: Lanes
    clocks: Lanes
    pending: Lanes
    active: Lanes


class Patches(NamedTuple):
    """Levels forced on nets, sorted by ``gate``.

    ``gate`` is the gate that drives the net, or -1 if none does; ``mask`` has the lanes in which
    the net is forced to ``level``.
    """

    gate: NDArray[np.int64]
    net: NDArray[np.uint32]
    mask: Lanes
    level: Lanes


@compiled
def evaluate(values: Lanes, tables: Tables, first: int, last: int) -> None:
    """Evaluate the gates from ``first`` up to, not including, ``last``."""
    gates = tables.gates
    for index in range(first, last):
        kind = np.uint64(gates[index, 0])
        a = values[gates[index, 1]]
        b = values[gates[index, 2]]
        flip_out = _ZERO - (kind & _ONE)
        flip_in = _ZERO - ((kind >> _ONE) & _ONE)
        result = a ^ b if kind >> np.uint64(2) else (a ^ flip_in) & (b ^ flip_in)
        values[gates[index, 3]] = result ^ flip_out


@compiled
def evaluate_patched(values: Lanes, tables: Tables, patches: Patches, first: int) -> None:
    """Evaluate the gates from ``first`` on, forcing the patched nets on the way."""
    start = first
    for index in range(len(patches.gate)):
        gate = patches.gate[index]
        if gate >= 0 and gate < first:
            continue
        if gate >= start:
            evaluate(values, tables, start, gate + 1)
            start = gate + 1
        net, mask = patches.net[index], patches.mask[index]
        values[net] = (values[net] & ~mask) | (patches.level[index] & mask)
    evaluate(values, tables, start, len(tables.gates))


@compiled
def sample(memory: Memory, tables: Tables) -> None:
    """Work out the next state of every flop that a clock edge, set or clear reaches."""
    values, groups = memory.values, tables.groups
    for group in range(len(groups)):
        clock = values[groups[group, 2]] ^ (_ZERO - np.uint64(groups[group, 3]))
        open_ = clock
        if groups[group, 4] == 0:
            open_ = clock & ~memory.clocks[group]
        memory.clocks[group] = clock
        set_ = values[groups[group, 5]] ^ (_ZERO - np.uint64(groups[group, 6]))
        clear = values[groups[group, 7]] ^ (_ZERO - np.uint64(groups[group, 8]))
        memory.active[group] = open_ | set_ | clear
        if memory.active[group]:
            for flop in range(groups[group, 0], groups[group, 1]):
                held = memory.state[flop] & ~open_
                taken = values[tables.data[flop]] & open_
                memory.pending[flop] = (held | taken | set_) & ~clear


@compiled
def commit(memory: Memory, tables: Tables) -> tuple[int, int]:
    """Let the flops change; gives the first gate that reads a change, and a net that changed.

    The net is SETTLED if nothing changed.
    """
    start, changed = len(tables.gates), SETTLED
    for group in range(len(tables.groups)):
        if not memory.active[group]:
            continue
        for flop in range(tables.groups[group, 0], tables.groups[group, 1]):
            if memory.pending[flop] != memory.state[flop]:
                net = tables.q[flop]
                memory.state[flop] = memory.pending[flop]
                memory.values[net] = memory.pending[flop]
                start = min(start, int(tables.reader[net]))
                changed = int(net)
    return start, changed


@compiled
def settle(memory: Memory, tables: Tables, patches: Patches, first: int) -> int:
    """Evaluate one word until nothing changes, starting with gate ``first``.

    Gives SETTLED, or the number of a net that still changes after as many rounds as a chain
    through every flop could need.
    """
    start, changed = first, SETTLED
    for _ in range(4 * len(tables.q) + 4):
        evaluate_patched(memory.values, tables, patches, start)
        sample(memory, tables)
        start, changed = commit(memory, tables)
        if changed == SETTLED:
            return SETTLED
    return changed


@compiled
def prime(memory: Memory, tables: Tables, patches: Patches) -> None:
    """Show the flops' contents and take the clocks' present levels as no edge."""
    for flop in range(len(tables.q)):
        memory.values[tables.q[flop]] = memory.state[flop]
    evaluate_patched(memory.values, tables, patches, 0)
    for group in range(len(tables.groups)):
        level = memory.values[tables.groups[group, 2]]
        memory.clocks[group] = level ^ (_ZERO - np.uint64(tables.groups[group, 3]))
