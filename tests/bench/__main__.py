"""Every benchmark of speed, one after the other, and a summary.

Run with ``python -m tests.bench``; it ends with 1 if any of them misses a target. A name on the
command line runs only that one: ``python -m tests.bench stream``.
"""

from __future__ import annotations

import importlib
import importlib.util
import sys
import traceback

BENCHES = {
    "stream": "the compressed pattern stream: bytes, round trips, expansion, encoding",
    "many_links": "32 boards at full link rate from one core",
    "link_speed": "end to end on the virtual board: stream, words, script",
    "rp2_cycles": "cycles a vector on an emulated RP2040",
    "margin_search": "bursts that a margin search takes",
}


def main(names: list[str]) -> int:
    """Run the benchmarks named, or all; 1 if one missed a target or broke off."""
    unknown = set(names) - set(BENCHES)
    if unknown:
        print(f"no benchmark {', '.join(sorted(unknown))}; there are: {', '.join(BENCHES)}")
        return 2
    results = {name: run(name) for name in BENCHES if not names or name in names}
    print("\n== summary")
    for name, result in results.items():
        print(f"{result:15} {name}: {BENCHES[name]}")
    return (
        1 if any(result not in ("targets met", "not there") for result in results.values()) else 0
    )


def run(name: str) -> str:
    """Run one benchmark; what became of it in two words."""
    if importlib.util.find_spec(f"tests.bench.{name}") is None:
        return "not there"
    print(f"\n== {name}: {BENCHES[name]}", flush=True)
    try:
        status = importlib.import_module(f"tests.bench.{name}").main()
    except SystemExit as ended:
        status = ended.code
    except Exception:  # noqa: BLE001  the others run all the same
        traceback.print_exc()
        return "broke off"
    return "TARGET MISSED" if status else "targets met" if status == 0 else "done"


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
