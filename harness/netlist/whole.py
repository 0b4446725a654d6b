"""512 faulty machines that are evaluated whole, whatever clocks, sets and clears their flops.

The one rule: machines are the same as everywhere; what is faulty in a lane is a list of patches.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from harness.netlist.assembly import Machines
from harness.netlist.compiler import compiled, spread, take
from harness.netlist.kernel import EVERYTHING, Operations, advance, show
from harness.netlist.lanes import ALL, FULL, WIDE, Lanes, new_lanes, unpack
from harness.netlist.layout import (
    KEEP,
    LEVEL,
    PATCH_AT,
    PATCH_OPERATION,
    PATCH_PIN,
    RAILS,
    RAW,
    Machine,
    Tables,
)
from harness.netlist.passes import (
    UNFOUND,
    Codes,
    Patches,
    Span,
    Trace,
    begin,
    flip,
    keep_first,
    set_inputs,
)

_NONE = np.uint64(0)


@compiled
def _compare(
    v: Lanes,
    t: Tables,
    ops: Operations,
    span: Span,
    outputs: Tables,
    good: Codes,
    found: Tables,
    scratch: Lanes,
) -> None:
    """Run faulty machines over a span; the steps that find them first go to ``found``.

    ``scratch``: see ``keep_first``.
    """
    for step in range(len(span.strobe)):
        if set_inputs(v, t, span.slots, span.levels, step + 1):
            advance(v, t, ops)
        if not span.strobe[step]:
            continue
        show(v, t, ops, EVERYTHING)
        differ = vague = spread(v, _NONE)
        for index in range(len(outputs)):
            level = good[step, index]
            if level == 2:
                continue
            if t[RAILS] == 2:
                differ = differ | take(v, outputs[index, level])
                vague = vague | ~take(v, outputs[index, 1 - level])
            else:
                differ = differ | (take(v, outputs[index, 0]) ^ spread(v, ALL if level else _NONE))
        keep_first(differ, vague, step, found, scratch)


class Whole:
    """512 machines that are evaluated whole: flops may be clocked, set and cleared by anything.

    Fields as in :class:`Differences`; operations keep their places, and no codes are wanted.
    """

    def __init__(self, made: Machines, outputs: Tables, most: int) -> None:
        v, t, ops = made.machine
        wide = new_lanes(len(v) + 3 * most, WIDE)
        wide[: len(v)] = v[:, None]
        longer = np.concatenate((t, np.zeros(2 * most, dtype=np.int64)))
        longer[[KEEP, LEVEL, RAW]] = len(v) + most * np.arange(3)
        longer[[PATCH_OPERATION, PATCH_PIN]] = len(t) + most * np.arange(2)
        self._machine = Machine(wide, longer, ops)
        self._outputs = outputs
        self.places = np.arange(len(ops))
        self.first = made.compiled.program.first
        self.noted = ops[:0]

    def run(
        self, patches: Patches, differing: NDArray[np.int64], span: Span, trace: Trace
    ) -> tuple[NDArray[np.int64], NDArray[np.bool_], Lanes]:
        """Run machines; see :meth:`Differences.run`."""
        v, t, ops = self._machine
        states, count = v[: trace.states.shape[1]], len(patches.pin)
        states[:] = trace.states[0][:, None]
        flip(states, differing)
        t[t[PATCH_AT] : t[PATCH_AT] + len(patches.at)] = patches.at
        t[t[PATCH_OPERATION] : t[PATCH_OPERATION] + count] = patches.operation
        t[t[PATCH_PIN] : t[PATCH_PIN] + count] = patches.pin
        v[t[KEEP] : t[KEEP] + count], v[t[LEVEL] : t[LEVEL] + count] = patches.keep, patches.level
        begin(self._machine, span)
        found, scratch = np.full(FULL, UNFOUND), new_lanes(3, WIDE)
        _compare(v, t, ops, span, self._outputs, trace.good, found, scratch)
        return (
            found,
            unpack(scratch[2:], FULL)[0].astype(np.bool_),
            states ^ trace.states[1][:, None],
        )
