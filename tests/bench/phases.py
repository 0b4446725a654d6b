"""Where the time of a board goes during a run: the board itself times the parts of its agent.

``taps`` gives a text for the board, executed after the agent's own: it wraps functions so that each
call counts in one phase, less the calls inside it. A call costs some 2,000 cycles more so. HELLO
then answers with the phases since the last HELLO, in microseconds.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass

from harness.agent.backends import Backend

CYCLES_A_US = 125
PHASES = (
    "receive",
    "frames",
    "decompress",
    "expand",
    "lay out",
    "burst",
    "compare",
    "report",
    "look for the host",
    "the rest",
)
CLOCK = """
import gc, json, time
_spent, _inner, _marks = {}, [0], [0, 0, 0]
def _counted(function):
    def counted(*arguments):
        answer = function(*arguments)
        began = time.ticks_us()
        now = gc.mem_alloc()
        _spent["collections"] = _spent.get("collections", 0) + (now < _marks[1])
        _marks[1] = now
        _marks[2] += time.ticks_diff(time.ticks_us(), began)
        return answer
    return counted
def _started(function):
    def started(*arguments):
        _spent.clear()
        _inner[0] = _marks[2] = 0
        _marks[1] = gc.mem_alloc()  # looks at the whole heap, for milliseconds
        _marks[0] = time.ticks_us()
        return function(*arguments)
    return started
def _ended(function):
    def ended(*arguments):
        _spent["run"] = time.ticks_diff(time.ticks_us(), _marks[0]) - _marks[2]
        return function(*arguments)
    return ended
_hello = Engine.hello
def _told(engine):
    if "run" not in _spent:
        return _hello(engine)
    began = time.ticks_us()
    gc.collect()
    _spent["one collection"] = time.ticks_diff(time.ticks_us(), began)
    return json.dumps(_spent).encode()
Engine.hello = _told
Engine.start = _started(Engine.start)
Engine.totals = _ended(Engine.totals)
Engine.run_block = _counted(Engine.run_block)
"""
"""Times whole runs, from START to TOTALS, and counts collections."""
TAPS = """
def _tap(phase, function):
    def timed(*arguments):
        began = time.ticks_us()
        _inner.append(0)
        try:
            return function(*arguments)
        finally:
            took = time.ticks_diff(time.ticks_us(), began)
            _spent[phase] = _spent.get(phase, 0) + took - _inner.pop()
            _inner[-1] += took
    return timed
Engine.answer = _tap("report", Engine.answer)
Engine.judge = _tap("compare", Engine.judge)
Server.look_up = _tap("look for the host", Server.look_up)
Port.read = _tap("receive", Port.read)
Port.write = _tap("report", Port.write)
Deframer.next = _tap("frames", Deframer.next)
Block.open = _tap("expand", Block.open)
Block.fill = _tap("expand", Block.fill)
frame = _tap("report", frame)
unmatch = _tap("decompress", unmatch)
"""
EXACT_TAPS = """
BurstPlan.lay_out = _tap("lay out", BurstPlan.lay_out)
BurstPlan.lay_straight = _tap("lay out", BurstPlan.lay_straight)
BurstPlan.lay_plane = _tap("lay out", BurstPlan.lay_plane)
BurstPlan.pick = _tap("compare", BurstPlan.pick)
Pins.burst = _tap("burst", Pins.burst)
"""
PACED_TAPS = """
Pins.run = _tap("burst", Pins.run)
"""


def taps(about: Backend) -> str:
    """Return the text for a board with these pins."""
    return CLOCK + TAPS + (EXACT_TAPS if about.exact else PACED_TAPS)


@dataclass(frozen=True)
class Phases:
    """Microseconds of each phase of a run, of the whole run, and of heap collections in it.

    A collection happens inside a phase and is a part of it.
    """

    spent: Mapping[str, int]
    run: int
    collections: int
    collecting: int

    def cycles(self, vectors: int) -> dict[str, float]:
        """Cycles a vector of each phase, of the whole run, and of heap collections in these."""
        known = sum(self.spent.values())
        parts = {**self.spent, "the rest": self.run - known}
        spent = {name: parts.get(name, 0) for name in PHASES}
        spent |= {"the whole run": self.run, "heap collections, in these": self.collecting}
        return {name: spent[name] * CYCLES_A_US / vectors for name in spent}

    def lines(self, vectors: int) -> list[str]:
        """Cycles a vector of each phase, and vectors a second of the run."""
        lines = [f"  {name:34}{cycles:9,.0f}" for name, cycles in self.cycles(vectors).items()]
        lines[-2] += f"{vectors * 1e6 / self.run:12,.0f} vectors a second"
        lines[-1] += f"{self.collections:12,} of them"
        return lines


def read_phases(answer: bytes) -> Phases:
    """Read the board's answer to HELLO after a run."""
    told: dict[str, int] = json.loads(answer)
    collections = told.get("collections", 0)
    return Phases(
        {name: told[name] for name in PHASES if name in told},
        told["run"],
        collections,
        collections * told["one collection"],
    )
