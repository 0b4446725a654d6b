"""Every benchmark of speed, one after the other, then every target and whether it is met.

Run with ``python -m tests.bench``; it takes a few minutes and ends with 1 if a target is missed. A
name on the command line runs only that one: ``python -m tests.bench stream``.
"""

from __future__ import annotations

import importlib
import sys
import traceback

from tests.bench.targets import Target, conclude

BENCHES = {
    "stream": "the compressed pattern stream: bytes, round trips, expansion, encoding",
    "many_links": "32 boards at full link rate from one core",
    "link_speed": "end to end on the virtual board: stream, deflated words, words, script",
    "rp2_cycles": "cycles a vector on an emulated RP2040",
    "hypotheses": "predictions of everything that may be wrong on a board, and the continuity test",
    "grade": "fault coverage of a published circuit under random vectors",
    "map": "the map of 48 chips × 200 designs in Chromium: first paint, filter, sort",
    "margin_search": "bursts that a margin search takes, and whether it finds the limit",
}
"""Modules of this folder: ``targets`` of each prints its figures and gives what they come to."""

ALONE = {
    "blame": "who gets the blame on a thousand seeded racks, and how often that is right",
    "diagnose": "how often the suspects inside a design name the fault that was injected",
    "faults": "all that grades and suspects must reach: published counts, speed, faults named",
    "firmware FIRMWARE.uf2": "cycles of every loop on MicroPython's own firmware, emulated",
    "firmware_session FIRMWARE.uf2": "a whole session on that firmware, with any backend",
    "firmware_faults FIRMWARE.uf2": "planted faults are found there, each at its cycle and pin",
    "history": "histories out of a store of many nights",
    "pages": "pages of a run of very many chips, as files and live",
    "nights": "many nights in one store",
    "kills": "runs that are killed and resumed",
    "rack_scale": "many boards at once",
    "engine": "evaluation of netlists beside kyupy: fault-free and stuck-at, chips",
    "table_read": "reading of large tables",
    "first_minutes": "the guide of ten minutes on a computer new to the tool, command by command",
    "dump_import": "import of a 100 MB dump, beside the reader's own time",
}
"""What takes long, or needs something that is not here."""

BY_TESTS = "tests/unit/agent/test_pins_rp2.py"
"""What is a matter of right and wrong rather than of speed stands there, and CI runs it."""


def main(names: list[str]) -> int:
    """Run the benchmarks named, or all; 1 if one missed a target or broke off."""
    unknown = set(names) - set(BENCHES)
    if unknown:
        print(f"no benchmark {', '.join(sorted(unknown))}; there are: {', '.join(BENCHES)}")
        return 2
    found = [target for name in BENCHES if not names or name in names for target in run(name)]
    print("\nnot run here, each by python -m tests.bench.NAME:")
    for name, what in ALONE.items():
        print(f"  {name:32} {what}")
    print(f"exactness of bursts, cycle by cycle, and slow chips: pytest {BY_TESTS}")
    return conclude(found)


def run(name: str) -> list[Target]:
    """Run one benchmark; the targets it has, or one that says that it broke off."""
    print(f"\n== {name}: {BENCHES[name]}", flush=True)
    try:
        return list(importlib.import_module(f"tests.bench.{name}").targets())
    except SystemExit as ended:
        return [Target(BENCHES[name], f"ended: {ended}", met=False)]
    except Exception:  # noqa: BLE001  the others run all the same
        traceback.print_exc()
        return [Target(BENCHES[name], "broke off", met=False)]


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
