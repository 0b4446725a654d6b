"""A dump becomes the patterns of a table: reading, sampling and thinning out, one after the other.

One rule: the same dump, map and recipe always give the same rows.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass

from harness.convert.choices import Edge, Sample
from harness.convert.dump_levels import DumpLevels
from harness.convert.dump_map import PinMap
from harness.convert.dump_reach import ALL_PINS, Reach, reach_in
from harness.convert.dump_read import Dump, Told, same_variable, stream
from harness.convert.dump_sample import Observed, Sampler
from harness.convert.dump_spool import Spool
from harness.convert.dump_table import Reaches, ResetPhase, TableRows, find_reset
from harness.rehearse import Gates
from harness.shuttle import Design, Direction, Shuttle

CLEARLY = 4
"""How many times more outputs must change at one edge than at the other to make it active."""


@dataclass(frozen=True)
class Recipe:
    """How a dump is sampled; ``edge`` None: the one that the netlist or the dump shows."""

    sample: Sample = Sample.PULSES
    edge: Edge | None = None
    keep_reset: bool = False


@dataclass(frozen=True, eq=False)
class Sampled:
    """A dump as the rows of a table, with what was seen on the way; ``edge`` is the one used."""

    rows: TableRows
    reset: ResetPhase
    observed: Observed
    edge: Edge
    both_edges: bool


def structure(design: Design, shuttle: Shuttle) -> Reach | None:
    """Read which outputs answer to inputs from the design's netlist; None without a usable one."""
    model = Gates(shuttle).model(design.name)
    return reach_in(*model, shuttle) if model is not None else None


@contextmanager
def sampled(
    dump: Dump, pins: PinMap, shuttle: Shuttle, recipe: Recipe, gates: Reach | None, tell: Told
) -> Iterator[Sampled]:
    """Sample a dump; its rows are there while the context is open.

    Raises InputError if the dump is damaged.
    """
    edge = recipe.edge or _edge_of(gates)
    with tempfile.TemporaryFile() as file:
        spool = Spool(file)
        sampler = _run(dump, pins, recipe.sample, edge or Edge.RISING, spool, tell)
        if edge is None and _falls(sampler.observed) and pins.mask(Direction.CLOCK):
            spool.clear()
            edge = Edge.FALLING
            sampler = _run(dump, pins, recipe.sample, edge, spool, tell)
        seen = sampler.observed
        reset = find_reset(spool, pins, shuttle, keep=recipe.keep_reset)
        rows = TableRows(spool, pins, shuttle, recipe.sample, _reaches(gates, seen))
        both = gates is not None and len(gates.edges) > 1
        yield Sampled(rows, reset, seen, edge or Edge.RISING, both)


def _run(dump: Dump, pins: PinMap, sample: Sample, edge: Edge, spool: Spool, tell: Told) -> Sampler:
    levels = DumpLevels(pins, same_variable(dump, pins.variables))
    sampler = Sampler(pins, sample, edge, spool)
    stream(dump, pins.variables, lambda batch: sampler.take(levels.steps(batch)), tell)
    sampler.finish()
    return sampler


def _edge_of(gates: Reach | None) -> Edge | None:
    if gates is None or not gates.edges:
        return None
    return Edge.FALLING if gates.edges == {Edge.FALLING} else Edge.RISING


def _falls(seen: Observed) -> bool:
    return seen.fell > CLEARLY * seen.rose


def _reaches(gates: Reach | None, seen: Observed) -> Reaches:
    """Without gates nothing is sure, and only inputs that were seen to change alone are known."""
    if gates is not None:
        return Reaches(gates, gates)
    known = {bit: seen.answered.get(bit, ALL_PINS) for bit in range(32)}
    return Reaches(Reach({}), Reach(known))
