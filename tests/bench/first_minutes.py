"""Seconds of each command of the guide "The first ten minutes", on a computer new to the tool.

Run: python -m tests.bench.first_minutes. Each command is a process of its own, twice: with no
cache of anything (as after a fresh installation), and with what the first time has left there. The
synthesiser's very first start, in the first command that reads Verilog, is counted apart.
"""

from __future__ import annotations

import os
import re
import shlex
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from tests.bench.targets import Target, conclude
from tests.system.test_guide import blocks, calls

MOST = 60.0
"""Seconds for all commands, apart from the synthesiser's first start."""


def carried_out(folder: Path, caches: Path) -> Iterator[tuple[str, float]]:
    """Write the guide's files and run its commands; yield each with its seconds."""
    settings = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    settings |= {"XDG_CACHE_HOME": str(caches), "NUMBA_CACHE_DIR": str(caches / "numba")}
    for language, text in blocks():
        named = re.match(r"(?://|#) ([\w./]+)", text)
        if language in {"verilog", "csv"} and named is not None:
            path = folder / named[1]
            path.parent.mkdir(exist_ok=True)
            path.write_text(text, encoding="utf-8")
        elif language == "console":
            for words, _ in calls(text):
                command, began = [sys.executable, "-m", *words], time.perf_counter()
                subprocess.run(command, cwd=folder, env=settings, check=True, capture_output=True)
                yield shlex.join(words), time.perf_counter() - began


def targets() -> Iterator[Target]:
    """Print what the guide's commands take, and give their sum."""
    with tempfile.TemporaryDirectory() as scratch:
        rounds = []
        for name in ("first", "again"):
            folder = Path(scratch) / name
            folder.mkdir()
            rounds.append(list(carried_out(folder, Path(scratch) / "caches")))
    fresh, warm = rounds
    print("  fresh    warm  seconds")
    for (words, seconds), (_, again) in zip(fresh, warm, strict=True):
        print(f"{seconds:7.1f} {again:7.1f}  {words}")
    start = next(
        first - again
        for (words, first), (_, again) in zip(fresh, warm, strict=True)
        if "--verilog" in words
    )
    rest = sum(seconds for _, seconds in fresh) - start
    print(f"{rest:7.1f} {sum(again for _, again in warm):7.1f}  in all, without the next line")
    print(f"{start:7.1f}          the synthesiser's first start")
    asked = f"the tool in an author's first ten minutes, at most {MOST:.0f} s"
    yield Target(asked, f"{rest:.1f} s", rest <= MOST)


def main() -> int:
    """Print everything; 1 if the target is missed."""
    return conclude(list(targets()))


if __name__ == "__main__":
    raise SystemExit(main())
