"""Kills runs 200 times at random moments and finishes each: is anything lost, or done twice?

Run: python -m tests.bench.kills [kills]. Prints the seed, so that a run can be repeated.
"""

from __future__ import annotations

import random
import sys
import tempfile
from pathlib import Path

from tests.system.killing import check_finished, run_with_kills, write_rack

DESIGNS, TABLES, SLOTS = "bcd7seg,crc16,gray,dec138", 5, 2
A_RUN = 10
LONGEST = 0.3


def main(kills: int) -> None:
    """Kill that often, a few times in each run."""
    seed = random.randrange(1 << 30)
    random_, done, runs = random.Random(seed), 0, 0
    print(f"seed {seed}")
    while done < kills:
        with tempfile.TemporaryDirectory() as folder:
            rack, store = write_rack(Path(folder), SLOTS), Path(folder) / "s.sqlite"
            seen = run_with_kills(rack, store, DESIGNS, min(A_RUN, kills - done), random_, LONGEST)
            check_finished(store, seen, SLOTS, TABLES)
        done, runs = done + seen.kills, runs + 1
        print(f"{done} kills in {runs} runs: nothing lost, nothing measured twice", flush=True)


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
