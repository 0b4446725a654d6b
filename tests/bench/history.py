"""How long history takes in a store of many nights.

Run: python -m tests.bench.history [--chips 200] [--designs 150] [--nights 365] [--store FILE].
Makes a store with invented verdicts, unless the file is there, and prints seconds for a query of
a chip, a design and a slot, for the baseline, and for the insert of a night. Evidence is left
out, for no query reads it; a real store is larger but not slower to ask.
"""

from __future__ import annotations

import argparse
import random
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

from harness.store import ChipRecord, Outcome, Store, of_chip, of_design, of_slot
from tests.unit.store.samples import chip, heading
from tests.unit.store.test_store import failing_outcome

FIRST = datetime(2026, 1, 1, 1, 30, tzinfo=UTC)
VERDICTS, WEIGHTS = ("PASS", "FAIL", "UNSTABLE", "ERROR"), (970, 15, 5, 10)
OUTCOME = (
    "INSERT INTO outcomes (run_id, slot, chip_serial, design, table_name, table_sha256, verdict,"
    " origin, mismatches, started, seconds, body) VALUES (?,?,?,?,'all','','{}','',0,?,1.0,'{{}}')"
)


def rows(
    run_id: str, started: str, chips: int, designs: int, verdict: str
) -> Iterator[tuple[str, ...]]:
    """One night's outcomes that have this verdict."""
    random_ = random.Random(run_id)
    for number in range(chips):
        for design in range(designs):
            if random_.choices(VERDICTS, WEIGHTS)[0] == verdict:
                yield run_id, f"A{number}", f"SP2-{number:04}", f"design{design:03}", started


def fill(path: Path, chips: int, designs: int, nights: int) -> None:
    """Make the store; a night is a transaction."""
    with Store(path) as store:
        for night in range(nights):
            store.start_run(heading(f"r{night}", FIRST + timedelta(days=night)))
    raw = sqlite3.connect(path)
    raw.execute("PRAGMA synchronous=OFF")
    for night in range(nights):
        started = f"{FIRST + timedelta(days=night):%Y-%m-%d %H:%M:%S.%f}"
        with raw:
            raw.executemany(
                "INSERT INTO chips VALUES (?,?,0,?,'','',1,'','','',0,'')",
                [(f"r{night}", f"A{n}", f"SP2-{n:04}") for n in range(chips)],
            )
            for verdict in VERDICTS:
                found = rows(f"r{night}", started, chips, designs, verdict)
                raw.executemany(OUTCOME.format(verdict), found)
    raw.close()


def seconds(action: Callable[[], object]) -> float:
    """Time of one call: a person's first look is not warm either."""
    start = time.perf_counter()
    action()
    return time.perf_counter() - start


def a_night(chips: int, designs: int) -> tuple[ChipRecord, ...]:
    """The records of a whole night, bodies included."""
    plain = failing_outcome()

    def outcomes(number: int) -> tuple[Outcome, ...]:
        own = replace(plain, slot=f"A{number}", chip_serial=f"SP2-{number:04}")
        return tuple(replace(own, design=f"design{d:03}") for d in range(designs))

    return tuple(
        replace(chip(f"A{n}"), chip_serial=f"SP2-{n:04}", outcomes=outcomes(n))
        for n in range(chips)
    )


def measure(path: Path, chips: int, designs: int) -> None:
    """Print every figure."""
    with Store(path) as store:
        store.finish_run("r0", FIRST, cancelled=False)
        store.accept("r0", FIRST)
        for name, which in (
            ("chip", of_chip("SP2-0001")),
            ("design", of_design("design001")),
            ("slot", of_slot("bench", "A1")),
        ):
            for look in ("first", "second"):
                taken = seconds(lambda which=which: store.history(which))  # type: ignore[misc]
                print(f"history of a {name:<7} {look:<7} {taken:8.3f} s")
        run = f"bench-{time.time_ns()}"
        record = replace(heading(run, FIRST + timedelta(days=999)), chips=a_night(1, designs))
        taken = seconds(lambda: store.start_run(record))
        print(f"insert, {designs} outcomes of one chip, one by one: {taken:.3f} s")
        print(f"so {taken / designs * 1000:.2f} ms each, {taken * chips:.1f} s for {chips} chips")


def main() -> None:
    """Read the options, make the store if need be, and measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name, default in (("chips", 200), ("designs", 150), ("nights", 365)):
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--store", type=Path)
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = given.store or Path(folder) / "history.sqlite"
        if not path.exists():
            taken = seconds(lambda: fill(path, given.chips, given.designs, given.nights))
            print(f"made {given.chips * given.designs * given.nights} outcomes in {taken:.0f} s")
        print(f"{path.stat().st_size / 1e6:.0f} MB")
        measure(path, given.chips, given.designs)


if __name__ == "__main__":
    main()
