"""Kills runs at random moments and looks at what is left; shared by the test and the long bench."""

from __future__ import annotations

import random
import signal
import subprocess
import sys
import threading
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from harness.records import Verdict
from harness.store import Store

ROOT = Path(__file__).parents[2]

WATCHED = """
import sys
from pathlib import Path
import harness
from harness.rack import TableJudged, TableStarted
from harness.store import Store

def tell(event):
    if isinstance(event, TableStarted) and event.design in designs:
        sys.stdout.write(f"begin {event.slot} {event.design} {event.table}\\n")
    if isinstance(event, TableJudged):
        o = event.outcome
        sys.stdout.write(f"told {o.slot} {o.design} {o.table} {o.verdict}\\n")
    sys.stdout.flush()

rack, designs = harness.load_rack(sys.argv[1]), sys.argv[4].split(",")
with Store(sys.argv[2]) as store:
    harness.run(rack, store, designs, observe=tell, resume=sys.argv[3])
print("done", flush=True)
"""


@dataclass
class Killed:
    """What was seen of one run through all of its processes."""

    run_id: str
    kills: int
    told: list[tuple[str, ...]]
    begun: list[tuple[str, ...]]


def write_rack(folder: Path, slots: int) -> Path:
    """A rack of virtual slots."""
    text = f'name = "Killed"\nshuttle = "{ROOT}/vectors/shuttle.toml"\n'
    text += f'profile = "{ROOT}/ci/wader.toml"\n'
    for number in range(1, slots + 1):
        text += f'[[slot]]\nname = "A{number}"\nport = "virtual"\n'
        text += f'board = "WB-{number:02}"\nchip = "SP2-{number:04}"\n'
    path = folder / "rack.toml"
    path.write_text(text)
    return path


def run_with_kills(
    rack: Path, store: Path, designs: str, kills: int, random_: random.Random, longest: float
) -> Killed:
    """Start a run, kill it several times within ``longest`` seconds each, then let it finish.

    A process that is done before its kill ends it early: ``kills`` says how many there were.
    """
    seen = Killed("", 0, [], [])
    while True:
        process = subprocess.Popen(
            [sys.executable, "-c", WATCHED, str(rack), str(store), seen.run_id, designs],
            stdout=subprocess.PIPE,
            text=True,
            cwd=ROOT,
        )
        timer = threading.Timer(random_.uniform(0.0, longest), process.kill)
        done = _listen(process, timer if seen.kills < kills else None, seen)
        timer.cancel()
        seen.run_id = seen.run_id or _only_run(store)
        if done:
            assert process.returncode == 0, process.returncode
            return seen
        assert process.returncode == -signal.SIGKILL, process.returncode
        seen.kills += 1
        _check_kept(store, seen)


def _listen(process: subprocess.Popen[str], timer: threading.Timer | None, seen: Killed) -> bool:
    """Read what the process tells; the clock starts when it has begun to measure."""
    assert process.stdout is not None
    done = False
    for line in process.stdout:
        words = tuple(line.split())
        if words[0] == "begin":
            seen.begun.append(words[1:])
            if timer is not None and not timer.is_alive() and not timer.finished.is_set():
                timer.start()
        elif words[0] == "told":
            seen.told.append(words[1:])
        else:
            done = words[0] == "done"
    process.stdout.close()
    process.wait(60)
    return done and process.returncode == 0


def _only_run(store: Path) -> str:
    with Store.existing(store) as kept:
        (run_id,) = kept.runs()
        return run_id


def _check_kept(store: Path, seen: Killed) -> None:
    """Every outcome that was reported is in the store, as reported."""
    with Store.existing(store) as kept:
        outcomes = [o for chip in kept.run(seen.run_id).chips for o in chip.outcomes]
    stored = {(o.slot, o.design, o.table, *str(o.verdict).split()) for o in outcomes}
    lost = set(seen.told) - stored
    assert not lost, f"told but not kept after kill {seen.kills}: {sorted(lost)}"


def check_finished(store: Path, seen: Killed, slots: int, tables: int) -> None:
    """The run is whole; nothing was reported twice, and no kept table ran again."""
    with Store.existing(store) as kept:
        record = kept.run(seen.run_id)
    outcomes = [o for chip in record.chips for o in chip.outcomes]
    assert record.finished is not None
    assert not record.cancelled
    assert len(outcomes) == slots * tables
    assert {o.verdict for o in outcomes} == {Verdict.PASS}
    twice = [key for key, number in Counter(seen.told).items() if number > 1]
    assert not twice, f"measured twice: {twice}"
    assert len(seen.begun) <= slots * tables + slots * seen.kills
