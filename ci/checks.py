"""What is checked without running the tool: format, lint, types, import directions.

Standard library only. One rule: checks share the cores, and each shows what it printed in one
piece, when it is done. What the tests need compiled is compiled beside them, also the tests: each
process of pytest would compile them all for itself.
"""

from __future__ import annotations

import os
import resource
import subprocess
import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from environment import PROGRAMS, ROOT, say, surroundings

COLLECT = "--collect-only -p no:terminal -o addopts=--import-mode=importlib"
"""Import every test and print nothing; what cannot be imported is told when the tests run."""

CHECKS = {
    "types": ("mypy",),
    "compiling": ("python", "-m", "tests.warm"),
    "collecting": ("python", "-m", "pytest", *COLLECT.split()),
    "import directions": ("lint-imports", "--no-logo"),
    "format": ("ruff", "format", "--check", "--quiet"),
    "lint": ("ruff", "check", "--quiet"),
}
"""The longest first, so that all cores are used to the end."""


@dataclass(frozen=True)
class Result:
    """What a check found: its exit status, and the seconds that it took."""

    name: str
    status: int
    seconds: float


def run_checks() -> list[Result]:
    """Run the checks beside each other, as many as there are cores."""
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        return list(pool.map(_check, CHECKS.items()))


def _check(check: tuple[str, tuple[str, ...]]) -> Result:
    name, (program, *words) = check
    began = time.monotonic()
    done = subprocess.run(
        [PROGRAMS / program, *words],
        cwd=ROOT,
        env=surroundings(),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        check=False,
    )
    seconds = time.monotonic() - began
    verdict = "failed" if done.returncode else "good"
    say(
        f"\n── {name}: {program} {' '.join(words)}\n{done.stdout}"
        f"{name}: {verdict} ({seconds:.0f} s)"
    )
    return Result(name, done.returncode, seconds)


def processor_seconds(who: int) -> float:
    """Processor time so far: of this process, or of those that it has waited for."""
    used = resource.getrusage(who)
    return used.ru_utime + used.ru_stime
