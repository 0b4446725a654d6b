"""Tries inputs in forked processes, so that hangs, crashes and hunger for memory are seen too.

One rule: a worker that is lost costs the input that it was at, and nothing else.
"""

from __future__ import annotations

import faulthandler
import json
import os
import re
import resource
import select
import signal
import sys
import tempfile
import time
import traceback
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from random import Random
from typing import IO

from tests.attack.attack import Attack, Wrong

SECONDS = 10.0
"""So long an input may keep the tool busy."""
LARGEST_KB = 400_000
"""So much memory a process may take beyond what it was forked with, in tests a compiler's."""
GRACE = 5.0
ROOM = 3_000_000_000
"""Address space beyond what a worker begins with: the computer must outlive the attack."""


@dataclass(frozen=True)
class Result:
    """What came of an input; ``finding`` is empty if that is as it should be."""

    seed: int
    told: str
    finding: str = ""
    seconds: float = 0.0


def try_seeds(kind: str, attack: Attack, seeds: Sequence[int]) -> Iterator[Result]:
    """Make an input from each number and try it."""
    yield from _all(attack, [(seed, None) for seed in seeds], kind)


def try_case(kind: str, attack: Attack, case: bytes) -> Result:
    """Try one input."""
    (result,) = _all(attack, [(0, case)], kind)
    return result


_Job = tuple[int, bytes | None]


def case_of(kind: str, attack: Attack, seed: int) -> bytes:
    """The input with this number."""
    return attack.make(Random(f"{kind} {seed}"))


def _all(attack: Attack, jobs: Sequence[_Job], kind: str) -> Iterator[Result]:
    left = list(jobs)
    while left:
        done = 0
        for result in _one_worker(attack, left, kind):
            done += 1
            yield result
        left = left[done:]


def _one_worker(attack: Attack, jobs: Sequence[_Job], kind: str) -> Iterator[Result]:
    """Results of a worker until its end; its last is the input that it died of, if it did."""
    ours, theirs = os.pipe()
    with tempfile.TemporaryFile() as said:
        child = os.fork()
        if not child:
            os.close(ours)
            _work(attack, jobs, kind, theirs, said)
        os.close(theirs)
        done, lost = 0, ""
        try:
            with os.fdopen(ours, "rb") as pipe:
                for line in _lines(pipe, child):
                    done += 1
                    yield Result(**json.loads(line))
        finally:
            with_signals = os.waitpid(child, 0)[1]
        if with_signals and done < len(jobs):
            said.seek(0)
            lost = _where(said.read().decode("utf-8", "replace"))
            code = os.waitstatus_to_exitcode(with_signals)
            seconds = SECONDS if code in {1, -signal.SIGKILL} else 0.0
            yield Result(jobs[done][0], "FINDING", f"hang or crash ({code}) {lost}", seconds)


def _lines(pipe: IO[bytes], child: int) -> Iterator[bytes]:
    """Lines of a worker; one that is silent for too long is killed."""
    pending = b""
    while True:
        if not select.select([pipe], [], [], SECONDS + GRACE)[0]:
            os.kill(child, signal.SIGKILL)
        data = os.read(pipe.fileno(), 1 << 16)
        if not data:
            return
        *whole, pending = (pending + data).split(b"\n")
        yield from whole


def _work(attack: Attack, jobs: Sequence[_Job], kind: str, pipe: int, said: IO[bytes]) -> None:
    """Be a worker: try inputs, write a line for each, end without a way back."""
    try:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # an interruption is no finding
        null = os.open(os.devnull, os.O_RDWR)
        for stream in (0, 1, 2):  # libraries print what they like
            os.dup2(null, stream)
        size = int(Path("/proc/self/statm").read_text("ascii").split()[0]) * resource.getpagesize()
        resource.setrlimit(resource.RLIMIT_AS, (size + ROOM, size + ROOM))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
        forked_with = _peak_kb()
        for seed, case in jobs:
            faulthandler.dump_traceback_later(SECONDS, exit=True, file=said)
            result = _tried(kind, attack, seed, case, forked_with)
            faulthandler.cancel_dump_traceback_later()
            os.write(pipe, json.dumps(vars(result)).encode("ascii") + b"\n")
            if _peak_kb() - forked_with > LARGEST_KB:
                break  # what was eaten is not given back: the next one begins anew
    except BaseException:  # noqa: BLE001 - a forked process must not return to its parent's code
        said.write(traceback.format_exc().encode())
        said.flush()
        os._exit(3)
    os._exit(0)


def _peak_kb() -> int:
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss


def _tried(kind: str, attack: Attack, seed: int, case: bytes | None, forked_with: int) -> Result:
    whole = case if case is not None else case_of(kind, attack, seed)
    began = time.monotonic()
    try:
        told, finding = attack.judge(whole), ""
    except Wrong as wrong:
        told, finding = "FINDING", str(wrong)
    except Exception as error:  # noqa: BLE001 - any that comes out is what is looked for
        told, finding = "FINDING", _signature(error)
    used = _peak_kb() - forked_with
    if used > LARGEST_KB and not finding:
        told, finding = "FINDING", f"the process took {used // 1000:,} MB"
    return Result(seed, told, finding[:2000], time.monotonic() - began)


def _signature(error: BaseException) -> str:
    """An exception by its name, and the last lines of ours that it passed."""
    frames = [
        f"{Path(frame.filename).name}:{frame.lineno}"
        for frame in traceback.extract_tb(error.__traceback__)
        if "/harness/" in frame.filename or "/reports/" in frame.filename
    ]
    return f"{type(error).__name__} at {' '.join(frames[-3:])} – {str(error)[:200]}"


def _where(text: str) -> str:
    """The last lines of ours in a dump of a stack."""
    found = re.findall(r'File "[^"]*/((?:harness|reports)/[^"]+)", line (\d+)', text)
    return " ".join(f"{name}:{line}" for name, line in found[:3]) or text[-300:]


def alike(finding: str) -> str:
    """What two findings of one cause have in common."""
    first = finding.partition("\n")[0].partition(" – ")[0]
    return re.sub(r"0x[0-9a-f]+|\d+|'[^']*'|\"[^\"]*\"", "…", first)[:160]


assert sys.platform != "win32"
