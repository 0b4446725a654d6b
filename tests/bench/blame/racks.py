"""Racks of virtual boards with faults, run through the direct boards and the judge.

The one rule: what comes out are outcomes as a run would store them, and the truth beside them. A
slot without a fault answers as the first such slot did.
"""

from __future__ import annotations

import random
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from functools import cached_property
from pathlib import Path

from harness.board import BoardProfile, Session, load_profile
from harness.judge import Case, RetryPolicy, examine
from harness.records import ChipRecord, Outcome, RunKind, RunRecord
from harness.shuttle import Design, Shuttle, TableSpec, load_shuttle
from harness.table import Pattern, load_table
from harness.virtual import VirtualBoardSpec, VirtualRack
from harness.virtual.direct import DirectBoard
from tests.bench.blame.faults import Dealer, Fault
from tests.bench.blame.odd import OddChip
from tests.system.virtual import session

ROOT = Path(__file__).parents[3]
SLOTS = 6
NOW = datetime(2026, 11, 29, tzinfo=UTC)
Job = tuple[Design, TableSpec, Pattern]
Key = tuple[str, str]


@dataclass(frozen=True)
class Truth:
    """What is wrong with a rack: faults of each slot, and what concerns all or half of them."""

    slots: tuple[tuple[Fault, ...], ...]
    across: str = ""
    everywhere: Fault | None = None
    on: frozenset[int] = frozenset()
    table: Key | None = None


class Floor:
    """The demo shuttle with its intake tables, or some of them, ready to be run on racks."""

    def __init__(self, keys: Collection[Key] = ()) -> None:
        self.shuttle: Shuttle = load_shuttle(ROOT / "vectors")
        self.profile: BoardProfile = load_profile(ROOT / "ci" / "wader.toml", self.shuttle)
        designs = self.shuttle.designs
        specs = [(design, spec) for design in designs for spec in design.tables if spec.intake]
        self.jobs: dict[Key, Job] = {
            (d.name, s.name): (d, s, load_table(s, d, self.shuttle))
            for d, s in specs
            if not keys or (d.name, s.name) in keys
        }

    @cached_property
    def healthy(self) -> Mapping[Key, Outcome]:
        """Outcomes of a slot without a fault."""
        return {(o.design, o.table): o for o in self.run(0, "SP2-0000", ())}

    def run(
        self,
        slot: int,
        chip: str,
        faults: Sequence[Fault],
        keys: Iterable[Key] | None = None,
        jobs: Mapping[Key, Job] | None = None,
    ) -> list[Outcome]:
        """Run tables on a board with these faults."""
        spec = VirtualBoardSpec(
            slot=f"A{slot + 1}",
            board_serial=f"WB-0{slot + 1}",
            chip_serial=chip,
            shuttle_path=self.shuttle.path,
            profile_path=ROOT / "ci" / "wader.toml",
            defects=tuple(d for fault in faults for d in fault.defects),
            board_faults=tuple(b for fault in faults for b in fault.board),
        )
        jobs = jobs or self.jobs
        with self.board(spec, faults) as board:
            return [self._examined(board, spec, jobs[key]) for key in keys or jobs]

    @contextmanager
    def board(
        self, spec: VirtualBoardSpec, faults: Sequence[Fault]
    ) -> Iterator[DirectBoard | Session]:
        """A board without interpreter and wire."""
        board = DirectBoard(spec, self.shuttle, self.profile)
        for fault in faults:
            if fault.odd is not None:
                vars(board)["_model"] = OddChip(vars(board)["_model"], fault.odd, self.shuttle)
        yield board

    def _examined(self, board: DirectBoard | Session, spec: VirtualBoardSpec, job: Job) -> Outcome:
        design, table, pattern = job
        board.select(design)
        case = Case(
            spec.slot, spec.chip_serial, spec.board_serial, self.shuttle, design, table, pattern
        )
        return examine(board, case, RetryPolicy(), date(2026, 11, 29)).outcome

    def rack(self, truth: Truth, chips: Sequence[str]) -> RunRecord:
        """Run a whole rack."""
        records = []
        for slot, chip in enumerate(chips):
            faults = truth.slots[slot]
            if truth.everywhere is not None and slot in truth.on:
                faults = (*faults, truth.everywhere)
            records.append(self._chip(slot, chip, faults, truth.table))
        return record(records)

    def _chip(self, slot: int, chip: str, faults: Sequence[Fault], table: Key | None) -> ChipRecord:
        """Run one slot; only what its faults concern is really run."""
        jobs = self.jobs if table is None else {**self.jobs, table: spoiled(self.jobs[table])}
        keys = [key for key in jobs if key == table or _concerned(key, faults)]
        found = dict(self.healthy)
        if keys:
            ran = self.run(slot, chip, faults, keys, jobs)
            found |= {(o.design, o.table): o for o in ran}
        own = (
            replace(o, slot=f"A{slot + 1}", chip_serial=chip, board_serial=f"WB-0{slot + 1}")
            for o in found.values()
        )
        return chip_record(slot, chip, tuple(own))


class WholeStack(Floor):
    """The same through interpreter, wire and agent; not for odd faults."""

    @contextmanager
    def board(
        self, spec: VirtualBoardSpec, faults: Sequence[Fault]
    ) -> Iterator[DirectBoard | Session]:
        """A session with a virtual board."""
        assert all(fault.odd is None for fault in faults)
        with VirtualRack([spec]) as rack, session(rack.ports[spec.slot]) as opened:
            yield opened


def _concerned(key: Key, faults: Sequence[Fault]) -> bool:
    return any(not fault.designs or key[0] in fault.designs for fault in faults)


def spoiled(job: Job) -> Job:
    """The same table with one wrong expectation, a third down."""
    design, spec, pattern = job
    care = pattern.care
    rows = [k for k in range(len(pattern)) if care[k]]
    row = rows[len(rows) // 3]
    expect = pattern.expect.copy()
    expect[row] ^= int(care[row]) & -int(care[row])
    return design, spec, replace(pattern, expect=expect)


def chip_record(slot: int, chip: str, outcomes: tuple[Outcome, ...]) -> ChipRecord:
    """One chip of a run."""
    texts = (f"A{slot + 1}", chip, f"WB-0{slot + 1}", "direct", True, "", "none", "direct")
    return ChipRecord(*texts, exact=False, trouble="", outcomes=outcomes)


def record(chips: Sequence[ChipRecord]) -> RunRecord:
    """A run of these chips."""
    empty = dict.fromkeys(
        (
            *("run_id", "tool_version", "shuttle", "organisation", "shuttle_file"),
            *("shuttle_sha256", "profile", "profile_file", "profile_sha256"),
            *("rack", "rack_file", "rack_sha256"),
        ),
        "",
    )
    return RunRecord(
        **empty,
        kind=RunKind.RUN,
        started=NOW,
        finished=NOW,
        cancelled=False,
        chips=tuple(chips),
        causes=(),
        continuity=(),
    )


def exchanged(truth: Truth, one: int, other: int) -> Truth:
    """The same rack with two chips exchanged: what is theirs goes with them."""
    slots = list(truth.slots)
    first, second = slots[one], slots[other]
    slots[one] = (*_of(first, chip=False), *_of(second, chip=True))
    slots[other] = (*_of(second, chip=False), *_of(first, chip=True))
    return replace(truth, slots=tuple(slots))


def _of(faults: Sequence[Fault], *, chip: bool) -> tuple[Fault, ...]:
    return tuple(fault for fault in faults if fault.chip is chip)


def draw(floor: Floor, rng: random.Random, *, unknown: bool = False) -> Truth:
    """Draw a rack: up to two faulty slots with one or two faults, and now and then all at once.

    Two boards with a fault of no known kind often have the same one: a revision, or a bad lot.
    """
    dealer = Dealer(floor.shuttle, rng)
    slots: list[tuple[Fault, ...]] = [()] * SLOTS
    for slot in rng.sample(range(SLOTS), rng.choice((0, 1, 1, 2, 2))):
        one = dealer.unknown() if unknown else dealer.known()
        if unknown and any(slots) and rng.random() < 0.5:
            (one,) = max(slots, key=len)
        slots[slot] = (one,)
        if not unknown and rng.random() < 0.15:
            slots[slot] = (one, dealer.known())
    truth = Truth(tuple(slots))
    if unknown or rng.random() > 0.2:
        return truth
    return _across(floor, rng, dealer, truth)


def _across(floor: Floor, rng: random.Random, dealer: Dealer, truth: Truth) -> Truth:
    kind = rng.choice(("table wrong", "design wrong", "design on half", "boards wrong"))
    if kind == "table wrong":
        return replace(truth, across=kind, table=rng.choice(list(floor.jobs)))
    every = frozenset(range(SLOTS))
    if kind == "boards wrong":
        fault = dealer.board_of_all()
        return replace(truth, across=kind, everywhere=fault, on=every)
    on = every if kind == "design wrong" else frozenset(rng.sample(range(SLOTS), 3))
    return replace(truth, across=kind, everywhere=dealer.defect(), on=on)
