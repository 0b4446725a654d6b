"""How long pages take at size: of `harness watch` over a long history, and the reports of a run.

Run: python -m tests.bench.pages [--chips 200] [--designs 150] [--nights 365] [--store FILE].
Asks a served page for every kind of address, and prints seconds and bytes; the store is that of
`tests.bench.history`. Then writes the reports of one night.
"""

from __future__ import annotations

import argparse
import random
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Callable
from dataclasses import replace
from functools import partial
from pathlib import Path

from harness.records import RunRecord, Verdict
from harness.store import Store
from harness_reports import chip_html, write_run
from harness_reports.html import index_html
from tests.bench.history import seconds, whole_night
from tests.bench.nights import Size, fill, moment

SCATTERED = 0.02
"""How many tables fail, here and there, so that every table fails on some chip."""


def scattered(run: RunRecord) -> RunRecord:
    """The run with failures all over the rack."""
    chance = random.Random(1)
    every = [outcome for chip in run.chips for outcome in chip.outcomes]
    failing = next(outcome for outcome in every if outcome.verdict is Verdict.FAIL)
    chips = tuple(
        replace(
            chip,
            outcomes=tuple(
                replace(failing, slot=o.slot, chip_serial=o.chip_serial, design=o.design)
                if chance.random() < SCATTERED
                else o
                for o in chip.outcomes
            ),
        )
        for chip in run.chips
    )
    return replace(run, chips=chips)


def say(name: str, action: Callable[[], bytes]) -> None:
    """Print how long it takes to make something, twice, and how large it is."""
    found = b""

    def once() -> None:
        nonlocal found
        found = action()

    first, second = seconds(once), seconds(once)
    print(f"{name:<28} {first:6.3f} s   again {second:6.3f} s   {len(found) / 1e3:10,.0f} kB")


def get(address: str) -> bytes:
    with urllib.request.urlopen(address, timeout=60) as answer:
        data: bytes = answer.read()
        return data


def first_event(address: str) -> bytes:
    """What a browser gets before it shows the rack."""
    found = b""
    with urllib.request.urlopen(address, timeout=60) as answer:
        for line in answer:
            found += line
            if line.startswith(b"data") or not line.strip():
                break
    return bytes(found)


def ask_all(home: str, run_id: str) -> None:
    """Print the time of every kind of page."""
    say("rack", lambda: get(f"{home}/"))
    say("rack, first event", lambda: first_event(f"{home}/events"))
    say("all histories", lambda: get(f"{home}/histories"))
    say("history of a chip", lambda: get(f"{home}/history?chip=SP2-0001"))
    say("history of a design", lambda: get(f"{home}/history?design=design001"))
    say("history of a slot", lambda: get(f"{home}/history?rack=bench&slot=A001"))
    say("run", lambda: get(f"{home}/runs/{run_id}/index.html"))
    chip = "chips/SP2-0001/SP2-0001"
    for name in (f"{chip}.html", f"{chip}.xml", "junit.xml", "run.json"):
        say(Path(name).name, partial(get, f"{home}/runs/{run_id}/{name}"))


def serve(store: Path, run_id: str) -> None:
    """Have `harness watch` serve the store, and ask for everything."""
    command = [sys.executable, "-m", "harness", "watch", "--store", str(store), "--port", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as process:
        try:
            assert process.stdout is not None
            ask_all(process.stdout.readline().split()[3].rstrip("/"), run_id)
        finally:
            process.terminate()


def write(run: RunRecord, folder: Path) -> None:
    """Print the time of a run's reports."""
    say("page of a run", lambda: index_html(run.overview))
    say("page of a chip", lambda: chip_html(run, run.chips[0]))
    begun = time.process_time()
    taken = seconds(lambda: write_run(run, folder))
    files = [file for file in folder.rglob("*") if file.is_file()]
    size = sum(file.stat().st_size for file in files) / 1e6
    print(
        f"all reports of a run: {len(files)} files, {size:.0f} MB in {taken:.1f} s, "
        f"of that {time.process_time() - begun:.1f} s of work"
    )


def main() -> None:
    """Read the options, make the store if need be, and measure."""
    parser = argparse.ArgumentParser(description=__doc__)
    for name, default in (("chips", 200), ("designs", 150), ("nights", 365)):
        parser.add_argument(f"--{name}", type=int, default=default)
    parser.add_argument("--store", type=Path)
    given = parser.parse_args()
    size = Size(given.chips, given.designs, given.nights)
    with tempfile.TemporaryDirectory() as folder:
        path = given.store or Path(folder) / "history.sqlite"
        if not path.exists():
            fill(path, size)
        with Store(path) as store:
            number = len(store.runs())
            run = scattered(whole_night(size, number))
            store.start_run(run)
            print("with this night under way:")
        serve(path, run.run_id)
        with Store(path) as store:
            store.finish_run(run.run_id, moment(number), cancelled=False)
            print("when it is over:")
        serve(path, run.run_id)
        write(replace(run, finished=moment(number)), Path(folder) / "reports")


if __name__ == "__main__":
    main()
