"""The compiled loops that evaluate netlists: 64 lanes to a word, one bit of a word a lane.

The one rule: a word is evaluated on its own. Every net holds one uint64 a word; gates are
evaluated in order, then flops take their next state all at once, and again until nothing
changes. Compiled code is kept beside this file (or where ``NUMBA_CACHE_DIR`` says) when that
folder can be written, and compiled anew otherwise. The compiler takes longer to load than
most commands to run: nothing but :mod:`~harness.netlist.simulator` and the face imports this.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba
import numpy as np
from numpy.typing import NDArray

from harness.netlist.lanes import (
    SETTLED,
    Extent,
    Faults,
    Lanes,
    Memory,
    Patches,
    PinMap,
    Stimulus,
)
from harness.netlist.model import Kind, Tables

Function = TypeVar("Function", bound=Callable[..., Any])

_ZERO = np.uint64(0)
_ONE = np.uint64(1)
_XOR = np.uint64(Kind.XOR)


_OPTIONS: dict[str, Any] = {"nogil": True, "_nrt": False}
# No function here makes an array, so none needs to count references to those it is given:
# without ``_nrt`` counting them costs twice as much time as evaluating gates.


def compiled(function: Function) -> Function:
    """Compile a function with numba; without a cache on disk where no folder can be written."""
    try:
        return cast("Function", numba.njit(cache=True, **_OPTIONS)(function))
    except RuntimeError:  # numba found no folder for its cache
        return cast("Function", numba.njit(**_OPTIONS)(function))


@compiled
def evaluate(values: Lanes, tables: Tables, first: int, last: int) -> None:
    """Evaluate the gates from ``first`` up to, not including, ``last``."""
    gates = tables.gates
    for index in range(first, last):
        kind = np.uint64(gates[index, 0])
        a = values[gates[index, 1]]
        b = values[gates[index, 2]]
        flip_out = _ZERO - (kind & _ONE)
        if kind < _XOR:  # a branch that the processor learns; a choice of values is slower
            flip_in = _ZERO - ((kind >> _ONE) & _ONE)
            values[gates[index, 3]] = ((a ^ flip_in) & (b ^ flip_in)) ^ flip_out
        else:
            values[gates[index, 3]] = a ^ b ^ flip_out


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


@compiled
def settle_words(memory: Memory, tables: Tables, patches: Patches) -> int:
    """:func:`settle` for memory and patches with a row for each word, from the first gate on.

    Stops at the first word that does not settle.
    """
    for word in range(memory.values.shape[0]):
        values, state, clocks = memory.values[word], memory.state[word], memory.clocks[word]
        row = Memory(values, state, clocks, memory.pending[word], memory.active[word])
        for flop in range(len(tables.q)):
            values[tables.q[flop]] = state[flop]
        forced = Patches(patches.gate, patches.net, patches.mask[word], patches.level[word])
        restless = settle(row, tables, forced, 0)
        if restless != SETTLED:
            return restless
    return SETTLED


@compiled
def _happens(seed: np.uint64, cycle: np.uint64, chance: np.uint64) -> np.bool_:
    """Decide by the finaliser of SplitMix64 whether something happens in a cycle."""
    mixed = seed * np.uint64(0xD1B54A32D192ED03) + cycle * np.uint64(0x9E3779B97F4A7C15)
    mixed = (mixed ^ (mixed >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    mixed = (mixed ^ (mixed >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return (mixed ^ (mixed >> np.uint64(31))) <= chance


@compiled
def connect(
    values: Lanes, tables: Tables, pins: PinMap, levels: np.uint64, enable: np.uint64
) -> int:
    """Put the levels of driven bits on their nets.

    Gives the first gate that reads a changed net, or one more than there are gates if none
    changed.
    """
    start = len(tables.gates) + 1
    for index in range(len(pins.input_net)):
        value = _ZERO - ((levels >> np.uint64(pins.input_bit[index])) & _ONE)
        net = pins.input_net[index]
        if values[net] != value:
            values[net] = value
            start = min(start, int(tables.reader[net]))
    for index in range(len(pins.enable_net)):
        value = _ZERO - ((enable >> np.uint64(pins.enable_bit[index])) & _ONE)
        net = pins.enable_net[index]
        if values[net] != value:
            values[net] = value
            start = min(start, int(tables.reader[net]))
    return start


@compiled
def _begin_cycle(
    tables: Tables, patches: Patches, faults: Faults, cycle: np.uint64, clock_hz: float
) -> int:
    """Decide which patches are in force; gives the first gate concerned, as :func:`connect`."""
    start = len(tables.gates) + 1
    for index in range(len(patches.gate)):
        mask = _ZERO
        if clock_hz > faults.limit_hz[index] or (
            np.isnan(faults.limit_hz[index])
            and _happens(faults.seed[index], cycle, faults.chance[index])
        ):
            mask = ~_ZERO
        if mask or patches.mask[index]:
            patches.mask[index] = mask
            start = min(start, patches.gate[index])
    return start


@compiled
def _read(values: Lanes, pins: PinMap) -> tuple[np.uint64, np.uint64]:
    """Give the levels on the bits that the chip drives, and which those are."""
    levels, driven = _ZERO, _ZERO
    for index in range(len(pins.output_net)):
        bit = np.uint64(pins.output_bit[index])
        driving = values[pins.output_enable[index]] & _ONE
        driven |= driving << bit
        levels |= (values[pins.output_net[index]] & driving) << bit
    return levels, driven


@compiled
def _stick_pins(
    faults: Faults, cycle: np.uint64, levels: np.uint64, driven: np.uint64
) -> tuple[np.uint64, np.uint64]:
    """Override stuck bits of what :func:`_read` gave."""
    for index in range(len(faults.pin_bit)):
        if _happens(faults.pin_seed[index], cycle, faults.pin_chance[index]):
            mask = _ONE << np.uint64(faults.pin_bit[index])
            levels = (levels & ~mask) | (faults.pin_level[index] & mask)
            driven |= mask
    return levels, driven


@compiled
def _move(
    memory: Memory,
    tables: Tables,
    patches: Patches,
    pins: PinMap,
    drive: np.uint64,
    enable: np.uint64,
    at: int,
) -> int:
    """Connect levels and settle if that, or something at gate ``at``, changes anything."""
    start = min(at, connect(memory.values, tables, pins, drive & enable, enable))
    if start > len(tables.gates):
        return SETTLED
    return settle(memory, tables, patches, start)


@compiled
def _run_vector(
    memory: Memory,
    tables: Tables,
    patches: Patches,
    pins: PinMap,
    drive: np.uint64,
    enable: np.uint64,
    pulse: np.uint64,
    at: int,
) -> int:
    """Drive and settle, pulse and settle twice; gives a net that did not become stable."""
    trouble = _move(memory, tables, patches, pins, drive, enable, at)
    if pulse:
        calm = len(tables.gates) + 1
        trouble = max(trouble, _move(memory, tables, patches, pins, drive ^ pulse, enable, calm))
        trouble = max(trouble, _move(memory, tables, patches, pins, drive, enable, calm))
    return trouble


@compiled
def _delay(patches: Patches, faults: Faults, values: Lanes) -> None:
    """Have slow paths give in the next cycle what they should have given in this one."""
    for index in range(len(patches.gate)):
        if not np.isnan(faults.limit_hz[index]):
            patches.level[index] = values[faults.raw[index]]


@compiled
def _meets(extent: Extent, word: np.uint32) -> bool:
    """Tell whether a word is what a run waits for."""
    care = np.uint64(extent.care)
    wrong = (np.uint64(word) ^ np.uint64(extent.expect)) & care
    return bool(care != _ZERO and wrong == _ZERO)


@compiled
def run_cycles(  # noqa: PLR0913, PLR0917 - one crossing into compiled code for a whole burst
    memory: Memory,
    tables: Tables,
    patches: Patches,
    pins: PinMap,
    faults: Faults,
    stimulus: Stimulus,
    extent: Extent,
    seen: NDArray[np.uint32],
    floating: NDArray[np.uint32],
) -> tuple[int, bool, int]:
    """Run vectors: drive, settle, pulse and settle twice, read.

    Results go to ``seen`` and ``floating`` (as long as the stimulus). Gives the number of cycles
    run, whether the condition of ``extent`` was met, and a net that did not become stable (or
    SETTLED).
    """
    restless, used, matched, failures = SETTLED, 0, False, 0
    for count in range(extent.cycles):
        row = min(count, len(stimulus.drive) - 1)
        drive, enable = np.uint64(stimulus.drive[row]), np.uint64(stimulus.enable[row])
        pulse = np.uint64(stimulus.pulse[row]) & enable
        cycle = np.uint64(extent.first_cycle + count)
        at = _begin_cycle(tables, patches, faults, cycle, extent.clock_hz)
        trouble = _run_vector(memory, tables, patches, pins, drive, enable, pulse, at)
        levels, driven = _read(memory.values, pins)
        levels, driven = _stick_pins(faults, cycle, levels, driven)
        _delay(patches, faults, memory.values)
        seen[row] = (drive & enable) | (levels & driven & ~enable)
        floating[row] = np.uint64(stimulus.highz[row]) & ~enable & ~driven
        used = count + 1
        if trouble != SETTLED:
            restless, failures = trouble, failures + 1
            if failures > extent.tolerated:
                break
        matched = _meets(extent, seen[row])
        if matched:
            break
    return used, matched, restless
