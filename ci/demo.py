"""``ci/demo``: sets up what is needed, runs the demo rack, and says where its reports are.

The rack has faults on purpose, so the run is as it should be when exactly the chips with a fault
are not PASS. One rule: what is expected is read from the rack file, never listed here.
"""

from __future__ import annotations

import json
import sys
import time
import tomllib
from pathlib import Path

from environment import PROGRAMS, ROOT, Needs, prepare, run, say

NEEDS = Needs(extras=("virtual",))
RACK = Path("ci/demo-rack.toml")
RUNS = Path("runs")

EXPECTED = {
    "good": ("PASS", "nothing is wrong with chip or board"),
    "defect": ("FAIL", "the chip is defective: its report names design, cycle and pin"),
    "board_fault": ("ERROR", "the board has a bad connection, so the chip was not judged"),
    "link_fault": ("ERROR", "the link to the board is bad, so the chip was not judged"),
}
"""Verdict that a slot deserves by the kind of fault it has, and why."""

FAILED_CHIPS = 1
"""What ``harness run`` ends with when chips failed, as they must here."""


def main(options: list[str]) -> int:
    """Do it all; returns 0 if every chip got the verdict that it deserves."""
    prepare(NEEDS)
    say(f"\nRunning every table on every chip of the virtual rack {RACK} …\n")
    began = time.time()
    status = run([PROGRAMS / "harness", "run", RACK, "--out", RUNS, *options])
    if status not in (0, FAILED_CHIPS):
        say(f"\nThe demo did not go as it should: harness ended with {status} (see above).")
        return status
    folder = newest_run(began)
    if folder is None:
        say(f"\nThe demo did not go as it should: there is no new run in {RUNS}/.")
        return FAILED_CHIPS
    right = compare(folder)
    say(f"\nStart reading here: {(folder / 'index.html').as_uri()}")
    return 0 if right else FAILED_CHIPS


def newest_run(began: float) -> Path | None:
    """Folder of the run that was just written; None if there is none."""
    found = [path for path in (ROOT / RUNS).glob("*/run.json") if path.stat().st_mtime >= began]
    return max(found, key=lambda path: path.stat().st_mtime).parent if found else None


def compare(folder: Path) -> bool:
    """Print what each chip deserves and what it got; tell whether they agree."""
    given = json.loads((folder / "run.json").read_text(encoding="utf-8"))["verdicts"]
    verdicts = {entry["slot"]: entry["verdict"] for entry in given}
    slots = tomllib.loads((ROOT / RACK).read_text(encoding="utf-8"))["slot"]
    say("\nThe demo rack has faults on purpose. What each chip should get:")
    right = True
    for slot in slots:
        kind = next((name for name in EXPECTED if name in slot), "good")
        wanted, why = EXPECTED[kind]
        got = verdicts.get(slot["name"], "nothing")
        remark = "as expected" if got == wanted else f"UNEXPECTED: it got {got}"
        right = right and got == wanted
        say(f"  {slot['name']}  {slot['chip']}  {wanted:<5}  {remark}; {why}")
    return right


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
