"""A rack of virtual boards without interpreter and wire: a whole run takes a second or two."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime

from harness.jobs.run import new_run, planned_chip
from harness.jobs.settle import Evaluator
from harness.judge import RetryPolicy
from harness.rack import (
    Job,
    Opener,
    Rack,
    RunMeans,
    Slot,
    SlotWorker,
    StopSwitch,
    cases,
    continuity_test,
    run_slots,
    unobserved,
)
from harness.records import RunRecord
from harness.store import Store
from harness.virtual import BoardFault, ChipDefect, DirectBoard
from tests.system.virtual import profile, shuttle, spec

Faults = Sequence[BoardFault | ChipDefect]


def direct_rack(slots: int = 1, chips: Sequence[str] = ()) -> Rack:
    """A rack of slots A1, A2, … with boards WB-01, … and these chips, SP2-0001, … by default."""
    names = chips or [f"SP2-{number:04}" for number in range(1, slots + 1)]
    return Rack(
        "bench",
        shuttle(),
        profile(),
        tuple(
            Slot(f"A{k}", "virtual", f"WB-{k:02}", name, patience_s=0.0)
            for k, name in enumerate(names, 1)
        ),
    )


def direct_opener(
    boards: Mapping[str, Sequence[BoardFault]], chips: Mapping[str, Sequence[ChipDefect]]
) -> Opener:
    """Open boards with faults by slot, on which sit chips with defects by serial number."""

    def opened(slot: Slot) -> DirectBoard:
        seat = spec(
            slot=slot.name,
            board_serial=slot.board,
            chip_serial=slot.chip,
            board_faults=tuple(boards.get(slot.name, ())),
            defects=tuple(chips.get(slot.chip, ())),
        )
        return DirectBoard(seat, shuttle(), profile())

    return opened


def run_directly(rack: Rack, store: Store, jobs: Sequence[Job], opener: Opener) -> RunRecord:
    """Run tables on every slot as a run does, and settle it; the store has it."""
    test = continuity_test(rack, jobs)
    run = new_run(rack)
    planned = tuple(planned_chip(rack, slot, jobs) for slot in rack.slots)
    store.start_run(replace(run, chips=planned))

    def kept(verb: Callable[..., None]) -> Callable[..., None]:
        return lambda record: verb(run.run_id, record)

    stop = StopSwitch()
    means = RunMeans(
        opener,
        kept(store.record_chip),
        kept(store.record_outcome),
        kept(store.record_continuity),
        RetryPolicy(),
        stop,
        unobserved,
    )
    workers = [
        SlotWorker(
            slot, cases(rack, slot, test.order(jobs)), means, {}, None, *test.of_slot(rack, slot)
        )
        for slot in rack.slots
    ]
    run_slots({worker.slot: worker.run for worker in workers}, stop)
    Evaluator(rack, (*jobs, *test.extras)).keep(run.run_id, store)
    store.finish_run(run.run_id, datetime.now(UTC), cancelled=False)
    return store.run(run.run_id)
