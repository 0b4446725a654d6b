"""How long history takes in a store of many nights, and how long it takes to keep a night.

Run: python -m tests.bench.history [--chips 200] [--designs 150] [--nights 365] [--store FILE]
[--postgresql]. With the last the store is copied into a PostgreSQL server that is measured instead.
Makes a store with invented verdicts, unless the file is there (see ``nights``), and prints
seconds for histories, subjects and the baseline, and for a whole night, evidence included, through
the store's own verbs. On Linux a first look is cold: the system has forgotten the file.
"""

from __future__ import annotations

import argparse
import os
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from harness.judge import RetryPolicy, examine
from harness.records import Outcome, RunRecord
from harness.store import Store, of_chip, of_design, of_slot
from tests.bench.nights import Size, check, fill, moment, night_heading
from tests.bench.postgres_copy import copy_store
from tests.system.postgres import server
from tests.unit.judge.samples import TODAY, FunctionSession, case, good_chip
from tests.unit.store.samples import chip
from tests.unit.store.test_store import failing_outcome

FAILS_EVERY = 50


def seconds(action: Callable[[], object]) -> float:
    """Time of one call."""
    start = time.perf_counter()
    action()
    return time.perf_counter() - start


def cool(path: Path) -> str:
    """Have the system forget what it has read of the store; the word for a first look then."""
    if not hasattr(os, "posix_fadvise"):
        return "first"
    descriptor = os.open(path, os.O_RDWR)
    os.fsync(descriptor)
    os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    os.close(descriptor)
    return "cold"


def look(where: Path | str, name: str, action: Callable[[Store], object]) -> None:
    """Print how long a program needs that has just opened the store, and how long then.

    A server goes on between two programs, so it is never cold.
    """
    temperature = cool(where) if isinstance(where, Path) else "first"
    opening = time.perf_counter()
    with Store(where) as store:
        opened = time.perf_counter() - opening
        first, second = (seconds(lambda: action(store)) for _ in range(2))
    print(
        f"{name:<28} {temperature} {first:7.3f} s   again {second:7.3f} s   (open {opened:.3f} s)"
    )


def whole_night(size: Size, number: int) -> RunRecord:
    """The record of a night with its evidence; a fixed share of its tables fails."""
    good = FunctionSession([good_chip])
    passing = examine(good, case(), RetryPolicy(), TODAY).outcome
    plain = [failing_outcome() if k % FAILS_EVERY == 0 else passing for k in range(size.designs)]

    def outcomes(slot: str, serial: str) -> tuple[Outcome, ...]:
        return tuple(
            replace(outcome, slot=slot, chip_serial=serial, design=design)
            for outcome, design in zip(plain, size.design_names, strict=True)
        )

    chips = tuple(
        replace(chip(slot), chip_serial=serial, outcomes=outcomes(slot, serial))
        for slot, serial in zip(size.slot_names, size.chip_names, strict=True)
    )
    return replace(night_heading(number), finished=None, chips=chips)


def keep_whole(store: Store, record: RunRecord) -> None:
    """Print seconds for a night that is handed over whole."""
    count = sum(len(chip.outcomes) for chip in record.chips)
    started = seconds(lambda: store.start_run(record))
    every = [outcome for chip in record.chips for outcome in chip.outcomes]
    again = seconds(lambda: store.record_outcomes(record.run_id, every))
    over = seconds(lambda: store.finish_run(record.run_id, record.started, cancelled=False))
    print(f"a night of {count} outcomes, whole: {started:.3f} s, finished in {over:.3f} s more")
    print(f"the same outcomes again, over those that are there: {again:.3f} s")


def keep_slot_by_slot(store: Store, record: RunRecord) -> None:
    """Print seconds for a night whose slots each hand over an outcome at a time, all at once."""
    store.start_run(replace(record, chips=tuple(replace(c, outcomes=()) for c in record.chips)))

    def work(outcomes: tuple[Outcome, ...]) -> None:
        for outcome in outcomes:
            store.record_outcome(record.run_id, outcome)

    threads = [threading.Thread(target=work, args=(chip.outcomes,)) for chip in record.chips]

    def work_all() -> None:
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()

    count = sum(len(chip.outcomes) for chip in record.chips)
    taken = seconds(work_all)
    print(f"the same by {len(threads)} slots, each outcome durable before the next: {taken:.3f} s")
    print(f"so {taken / count * 1e3:.3f} ms for each outcome")
    store.finish_run(record.run_id, record.started, cancelled=False)


def measure(path: Path | str, size: Size) -> None:
    """Print every figure of a store: a file, or the address of a server."""
    with Store(path) as store:
        base = len(store.runs())
        night = whole_night(size, base)
        keep_whole(store, night)
        keep_slot_by_slot(store, whole_night(size, base + 1))
        store.accept(night.run_id, moment(base))
    look(path, "history of a chip", lambda s: s.history(of_chip("SP2-0001")))
    look(path, "history of a design", lambda s: s.history(of_design("design001")))
    look(path, "history of a slot", lambda s: s.history(of_slot("bench", "A001")))
    look(path, "subjects", lambda s: s.subjects())
    look(path, "runs", lambda s: s.runs())
    look(path, "latest runs and racks", lambda s: (s.headings(), s.racks()))
    look(path, "a run at a glance", lambda s: s.glance(night.run_id))
    look(path, "a chip of a run", lambda s: s.chip(night.run_id, "A001"))
    look(
        path,
        "baseline of a night",
        lambda s: s.baseline(replace(night, run_id="tonight", chips=())),
    )
    look(path, "a whole run, with evidence", lambda s: s.run(night.run_id))
    with Store(path) as store:
        store.start_run(whole_night(size, base + 2))
    print("with a night under way, which has no summaries:")
    look(path, "history of a chip", lambda s: s.history(of_chip("SP2-0001")))
    look(path, "history of a design", lambda s: s.history(of_design("design001")))
    look(path, "subjects", lambda s: s.subjects())


def main() -> None:
    """Read the options, make the store if need be, and measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name, default in (("chips", 200), ("designs", 150), ("nights", 365)):
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--store", type=Path)
    parser.add_argument("--postgresql", action="store_true", help="measure a server, not a file")
    given = parser.parse_args()
    size = Size(given.chips, given.designs, given.nights)
    with tempfile.TemporaryDirectory() as folder:
        check(Path(folder))
        print("a small store made in bulk is as the verbs leave it")
        path = given.store or Path(folder) / "history.sqlite"
        if not path.exists():
            taken = seconds(lambda: fill(path, size))
            cool(path)  # or the first commit waits for all that was made
            print(f"made {size.chips * size.designs * size.nights} outcomes in {taken:.0f} s")
        print(f"{path.stat().st_size / 1e6:.0f} MB")
        if given.postgresql:
            with server() as postgresql:
                taken = seconds(lambda: copy_store(path, postgresql.url))
                print(f"copied into PostgreSQL in {taken:.0f} s")
                measure(postgresql.url, size)
        else:
            measure(path, size)


if __name__ == "__main__":
    main()
