"""``python -m tests.attack``: attacks for the requested time, and counts.

Exit status: 0 nothing was found, 1 something was, and is kept in ``tests/attack/kept``, 130 it
was interrupted before anything was found. What was tried until then counts all the same.
"""

from __future__ import annotations

import argparse
import json
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path

from tests.attack.attack import Attack
from tests.attack.kept import FOLDER, Kept, read_kept
from tests.attack.kinds import KINDS
from tests.attack.shrink import shrunk
from tests.attack.worker import Result, alike, case_of, try_case, try_seeds

BATCH = 250
"""Number of inputs that a worker tries."""


@dataclass
class Tally:
    """Counts of one kind."""

    tried: int = 0
    told: Counter[str] = field(default_factory=Counter)
    slowest: Result = field(default_factory=lambda: Result(0, ""))
    seconds: float = 0.0
    findings: dict[str, list[Result]] = field(default_factory=dict)

    def add(self, result: Result) -> bool:
        """Count; tells whether it is a finding unlike those before."""
        self.tried += 1
        self.told[result.told] += 1
        self.seconds += result.seconds
        if result.seconds > self.slowest.seconds:
            self.slowest = result
        if not result.finding:
            return False
        others = self.findings.setdefault(alike(result.finding), [])
        others.append(result)
        return len(others) == 1

    def line(self, kind: str) -> str:
        """One line for people."""
        told = ", ".join(f"{what} {count:,}" for what, count in self.told.most_common())
        each = 1000 * self.seconds / max(1, self.tried)
        return (
            f"{kind:10} tried {self.tried:,}: {told}; {each:.1f} ms each, the slowest "
            f"{self.slowest.seconds:.1f} s (seed {self.slowest.seed})"
        )


def main() -> int:
    """Attack, print, and tell by the exit code whether anything was found."""
    signal.signal(signal.SIGTERM, signal.default_int_handler)
    options = _options()
    kinds = options.only or list(KINDS)
    tallies = {kind: Tally() for kind in kinds}
    ended = 0
    try:
        _attack_all(kinds, options, tallies)
    except KeyboardInterrupt:
        ended = 130
    finally:
        for kind, tally in tallies.items():
            print(tally.line(kind))
            for found in tally.findings.values():
                print(
                    f"  {len(found):,} times, first seed {found[0].seed}: {found[0].finding[:400]}"
                )
        if options.tally:
            _write_tally(options.tally, options.seed, tallies)
    return 1 if any(tally.findings for tally in tallies.values()) else ended


def _attack_all(kinds: list[str], options: argparse.Namespace, tallies: dict[str, Tally]) -> None:
    end = time.monotonic() + options.minutes * 60 if options.minutes else float("inf")
    with tempfile.TemporaryDirectory(prefix="attack-") as temporary:
        attacks = {}
        for kind in kinds:
            folder = Path(temporary).resolve() / kind
            folder.mkdir()
            attacks[kind] = KINDS[kind](folder)
        if options.kept:
            _replay(attacks, tallies)
        else:
            for kind, seeds in _rounds(kinds, options.seed, options.count, end):
                _attack(kind, attacks[kind], seeds, tallies[kind], options.keep)


def _rounds(kinds: list[str], first: int, count: int, end: float) -> Iterator[tuple[str, range]]:
    """Batches of seeds, kind after kind, until the count or the time is used up."""
    begin = first
    while begin < first + count:
        seeds = range(begin, min(begin + BATCH, first + count))
        for kind in kinds:
            if time.monotonic() >= end:
                return
            yield kind, seeds
        begin = seeds.stop


def _attack(kind: str, attack: Attack, seeds: range, tally: Tally, keep: Path) -> None:
    # all of them before any is made small: two workers must not share a folder at one time
    for result in [found for found in try_seeds(kind, attack, seeds) if tally.add(found)]:
        print(f"{kind} seed {result.seed}: {result.finding[:300]}", flush=True)
        case = shrunk(kind, attack, case_of(kind, attack, result.seed), result.finding)
        Kept(kind, result.seed, alike(result.finding), case).write(keep)


def _replay(attacks: dict[str, Attack], tallies: dict[str, Tally]) -> None:
    """Try again what was kept."""
    for kept in read_kept():
        if kept.kind in attacks:
            result = try_case(kept.kind, attacks[kept.kind], kept.case)
            if tallies[kept.kind].add(result):
                print(f"{kept.name}: {result.finding[:300]}", flush=True)


def _write_tally(path: Path, first: int, tallies: dict[str, Tally]) -> None:
    with path.open("a", encoding="utf-8") as stream:
        for kind, tally in tallies.items():
            line = {
                "at": datetime.now(UTC).isoformat(timespec="seconds"),
                "kind": kind,
                "first_seed": first,
                "tried": tally.tried,
                "told": dict(tally.told),
                "findings": {text: len(found) for text, found in tally.findings.items()},
            }
            stream.write(json.dumps(line) + "\n")


def _options() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m tests.attack", description=__doc__)
    parser.add_argument("--minutes", type=float, default=0, help="stop after so many minutes")
    parser.add_argument("--count", type=int, default=0, help="inputs of each kind")
    parser.add_argument("--only", action="append", choices=list(KINDS), help="this kind")
    parser.add_argument("--seed", type=int, default=0, help="the first of the seeds")
    parser.add_argument("--kept", action="store_true", help="only what was kept, again")
    parser.add_argument("--keep", type=Path, default=FOLDER, help="where findings are kept")
    parser.add_argument("--tally", type=Path, help="a file to add the counts to")
    options = parser.parse_args()
    if not options.count:
        options.count = 1 << 40 if options.minutes else 1000
    return options


if __name__ == "__main__":
    sys.exit(main())
