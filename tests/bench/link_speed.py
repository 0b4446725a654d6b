"""What a vector costs on the way to a board: bytes, round trips, time.

Four ways to run vectors on the same virtual board, side by side in one run: the tool's stream; the
words as they are, and compressed, in the tool's own frames; and a plain script that sets nine pins
and reads nine with raw-REPL statements, one vector at a time. All must give the same results. Once
the wire is as fast as it gets here, once it has the pace of a small controller. Bytes are counted
both ways, padding and answers included; a row that stands for many cycles counts as one vector in
bytes and round trips, and as its cycles in speed. Run with ``python -m tests.bench.link_speed``;
it ends with 1 if a target is missed.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from functools import partial
from unittest.mock import patch

import numpy as np

from harness.agent import protocol
from harness.agent.codec import MAX_PLANES
from harness.board import RunConditions, Session, load_profile, open_session
from harness.board import session as module
from harness.board.encode import (
    EncodedBlock,
    block_bounds,
    block_commands,
    match,
    plain_words,
    wire_fields,
)
from harness.board.orders import run_orders
from harness.link import RawRepl, SerialPort
from harness.shuttle import Shuttle, load_shuttle
from harness.table import Pattern
from harness.virtual import VirtualBoardSpec, VirtualRack
from tests.bench.patterns import ROOT, SAME_VECTORS, cut, random_vectors, work
from tests.bench.targets import Target, conclude

STATEMENTS = 1500
FREE_RUNNING = RunConditions(clock_hz=1e6)
PACE = 1_240_000
"""Bits a second of the slow wire, ten to a byte: 124 kB/s, what MicroPython reads on an RP2040."""
PACED = 8000
"""Random vectors that go over the slow wire."""
WAYS = ("stream", "stream again", "compressed words", "words")
"""The second time the stream is there already, as it is for every board but the first."""

PINS = """
import struct
from virtual_chip import link as _l
_level = 0
_seen = None
class Pin:
    def __init__(self, bit):
        self.bit = bit
    def value(self, level=None):
        global _level, _seen
        if level is not None:
            _level = _level | 1 << self.bit if level else _level & ~(1 << self.bit)
            _seen = None
            return
        if _seen is None:
            _l.write(struct.pack('<IIIIIIII', 1, 1, 0, 0, _level, 0x3C001FF, 0, 0))
            _seen = struct.unpack('<II', _l.read(8))[0]
        return _seen >> self.bit & 1
p = [Pin(bit) for bit in range(18)]
"""
"""The script's pins, as cheap as they can be: one request to the chip for nine reads."""


def targets() -> list[Target]:
    """Print the figures; what they come to."""
    shuttle = load_shuttle(ROOT / "vectors" / "shuttle.toml")
    board = VirtualBoardSpec("A1", "WB-01", "SP2-0001", shuttle.path, ROOT / "ci" / "wader.toml")
    found = on_board(board, shuttle, as_fast_as_it_goes)
    return found + on_board(replace(board, baud=PACE), shuttle, at_a_controllers_pace)


def on_board(
    spec: VirtualBoardSpec,
    shuttle: Shuttle,
    part: Callable[[Session, Shuttle, float], list[Target]],
) -> list[Target]:
    """Run the script, then a part of the benchmark, on a board of its own."""
    with VirtualRack([spec]) as rack:
        pace = f"{spec.baud / 10_000:.0f} kB/s" if spec.baud else "no pace"
        print(f"\nvirtual board running {rack.interpreter}; wire: {pace}")
        script = statement_script(rack.ports["A1"], shuttle)
        profile = load_profile(spec.profile_path, shuttle)
        session = open_session(rack.ports["A1"], replace(profile, backend="virtual"), shuttle)
        found = part(session, shuttle, script)
        session.close()
    return found


def statement_script(url: str, shuttle: Shuttle) -> float:
    """Vectors a second of the plain script."""
    port = SerialPort(url)
    counted = _Counting(port)
    repl = RawRepl(counted)
    repl.enter()
    repl.execute(PINS.encode())
    words = random_vectors(shuttle).drive[:STATEMENTS]
    levels = words[:, None] >> np.arange(9, dtype=np.uint32) & 1
    counted.sent = counted.received = 0
    began = time.perf_counter()
    for row in levels:
        lines = [f"p[{bit}].value({level})" for bit, level in enumerate(row)]
        repl.execute("\n".join([*lines, "print([q.value() for q in p[9:]])"]).encode())
    rate = STATEMENTS / (time.perf_counter() - began)
    total = (counted.sent + counted.received) / STATEMENTS
    print(f"{'statements, one vector each':34} {rate:12,.0f} vectors/s {total:8.2f} bytes/vector")
    repl.leave()
    port.close()
    return rate


def as_fast_as_it_goes(session: Session, shuttle: Shuttle, script: float) -> list[Target]:
    """Every long table and random vectors, each in all ways."""
    runs = {}
    for name, design, pattern in work(shuttle):
        session.select(design)
        runs[name] = all_ways(session, name, pattern, script)
    tables = [ways for name, ways in runs.items() if name != SAME_VECTORS]
    size = {way: mean([ways[way].size for ways in tables]) for way in WAYS}
    rate = {way: mean([ways[way].rate for ways in tables]) for way in WAYS}
    for what, means in (("bytes a vector, both ways", size), ("vectors a second", rate)):
        texts = ", ".join(f"{way} {means[way]:,.2f}" for way in WAYS)
        print(f"{what}, geometric mean over the tables: {texts}")
    trips = max(ways["stream"].trips for ways in runs.values())
    faster = runs[SAME_VECTORS]["stream"].rate / script
    ours, again = size["stream"], rate["stream again"] / rate["compressed words"]
    print(f"once it is encoded, the stream is {again:.2f} times as fast as compressed words")
    return [
        Target("at most 1.0 byte a vector, answers and padding too", f"{ours:.2f}", ours <= 1),
        Target("at most one round trip for 1,000 vectors", f"at most {trips:.2f}", trips <= 1),
        Target("random vectors 50 times as fast as by a script", f"{faster:.0f}", faster >= 50),
    ]


def mean(figures: Sequence[float]) -> float:
    """The geometric mean."""
    return float(np.exp(np.log(np.array(figures)).mean()))


def at_a_controllers_pace(session: Session, shuttle: Shuttle, script: float) -> list[Target]:
    """Random vectors and two tables over a slow wire."""
    random = random_vectors(shuttle)
    session.select(shuttle.designs[0])
    runs = {SAME_VECTORS: all_ways(session, SAME_VECTORS, cut(random, PACED), script)}
    for name, design, pattern in work(shuttle):
        if name in ("cmp85/exhaustive", "spibank/mode0"):
            session.select(design)
            runs[name] = all_ways(session, name, pattern, script)
    least = min(ways["stream"].rate / ways["words"].rate for ways in runs.values())
    asked = f"twice as fast as words at {PACE / 10_000:.0f} kB/s, least of {len(runs)}"
    return [Target(asked, f"{least:.1f} times", least >= 2)]


@dataclass(frozen=True)
class Run:
    """One run of a pattern: bytes and round trips (of 1,000) per vector, cycles a second."""

    size: float
    trips: float
    rate: float
    signature: int
    mismatches: int


def all_ways(session: Session, name: str, pattern: Pattern, script: float) -> dict[str, Run]:
    """Run one pattern in each way, check that results agree, and print the figures.

    The first run only warms up the chip's model; the stream still pays for its encoding.
    """
    run(session, pattern, "words")
    runs = {way: run(session, pattern, way) for way in WAYS}
    for way, one in runs.items():
        print(
            f"{name if way == WAYS[0] else '':32} {way:15} {one.rate:11,.0f} vectors/s "
            f"{one.size:7.2f} bytes/vector {one.trips:6.2f} round trips/1,000 "
            f"{one.rate / script:6.0f} x the script"
        )
    if len({(one.signature, one.mismatches) for one in runs.values()}) != 1:
        sys.exit(f"{name}: the ways do not give the same results")
    return runs


def run(session: Session, pattern: Pattern, way: str) -> Run:
    """Run a pattern one way, reset first."""
    words = partial(run_orders, encoded=_Words(way))
    with patch.object(module, "run_orders", words if "words" in way else run_orders):
        began = time.perf_counter()
        capture = session.run(pattern, FREE_RUNNING)
        seconds = time.perf_counter() - began
    vectors = len(pattern)
    return Run(
        size=(capture.wire.sent + capture.wire.received) / vectors,
        trips=capture.wire.round_trips * 1000 / max(vectors, 1000),
        rate=capture.cycles / seconds,
        signature=capture.signature,
        mismatches=capture.mismatch_count,
    )


class _Words:
    """Encodes by sending words as they are, or compressed."""

    def __init__(self, way: str) -> None:
        self._way = way

    def __call__(self, pattern: Pattern, rows: int) -> Iterator[EncodedBlock]:
        fields = wire_fields(pattern)
        for first, stop in block_bounds(pattern, rows * MAX_PLANES // (4 * len(fields))):
            body = plain_words(tuple(field[first:stop] for field in fields))
            flags = protocol.REPEATS if (fields[6][first:stop] != 1).any() else 0
            if self._way == "compressed words":
                body = match(body)
                flags |= protocol.MATCHED
            yield EncodedBlock(first, stop - first, block_commands(body, flags, stop - first))


class _Counting:
    """A port that counts its bytes."""

    def __init__(self, port: SerialPort) -> None:
        self._port = port
        self.sent = self.received = 0

    def read(self, timeout: float) -> bytes:
        data = self._port.read(timeout)
        self.received += len(data)
        return data

    def write(self, data: bytes) -> None:
        self.sent += len(data)
        self._port.write(data)

    def close(self) -> None:
        self._port.close()


if __name__ == "__main__":
    sys.exit(conclude(targets()))
