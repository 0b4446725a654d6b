"""``ci/demo``: sets up what is needed, and runs ``harness demo`` here."""

from __future__ import annotations

import sys

from environment import PROGRAMS, Needs, prepare, run

NEEDS = Needs(extras=("virtual",))

if __name__ == "__main__":
    prepare(NEEDS)
    sys.exit(run([PROGRAMS / "harness", "demo", ".", *sys.argv[1:]]))
