"""What a vector costs on the way to a board: bytes, round trips, time.

Two ways to run vectors on the same virtual board, side by side in one run: the tool's bursts, and a
plain script that sets nine pins and reads nine with raw-REPL statements, one vector at a time.
Bytes are counted both ways, padding and answers included; a row that stands for many cycles
counts as one vector in bytes and round trips, and as its cycles in speed. Run with
``python tests/bench/link_speed.py``; it ends with 1 if a target is missed.
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from harness.board import RunConditions, Session, load_profile, open_session
from harness.link import RawRepl, SerialPort
from harness.shuttle import Bus, Design, Direction, Shuttle, load_shuttle
from harness.table import Pattern, load_table
from harness.virtual import VirtualBoardSpec, VirtualRack

ROOT = Path(__file__).resolve().parents[2]
STATEMENTS = 1500
SAME_VECTORS = "random, nine pins in, nine out"
"""What the script runs too, so that here speeds can be compared."""
FREE_RUNNING = RunConditions(clock_hz=1e6)

PINS = """
import os, struct
_f = int(os.getenv('HARNESS_CHIP'))
_w = open(_f, 'wb', buffering=0)
_r = open(_f, 'rb', buffering=0)
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
            _w.write(struct.pack('<IIIIIIII', 1, 1, 0, 0, _level, 0x3C001FF, 0, 0))
            _seen = struct.unpack('<II', _r.read(8))[0]
        return _seen >> self.bit & 1
p = [Pin(bit) for bit in range(18)]
"""
"""The script's pins, as cheap as they can be: one request to the chip for nine reads."""


def main() -> int:
    """Print the figures; 1 if a target is missed."""
    shuttle = load_shuttle(ROOT / "vectors" / "shuttle.toml")
    spec = VirtualBoardSpec("A1", "WB-01", "SP2-0001", shuttle.path, ROOT / "ci" / "wader.toml")
    with VirtualRack([spec]) as rack:
        print(f"virtual board running {rack.interpreter}")
        script = statement_script(rack.ports["A1"], shuttle)
        missed = bursts(rack.ports["A1"], spec, shuttle, script)
    print("all targets met" if not missed else f"targets missed: {missed}")
    return 1 if missed else 0


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


def bursts(url: str, spec: VirtualBoardSpec, shuttle: Shuttle, script: float) -> list[str]:
    """Run tables and random vectors as bursts; name every target missed."""
    profile = load_profile(spec.profile_path, shuttle)
    session = open_session(url, replace(profile, backend="virtual"), shuttle)
    missed: list[str] = []
    for name, design, pattern in work(shuttle):
        session.select(design)
        missed += measure(session, name, pattern, script)
    session.close()
    return missed


def work(shuttle: Shuttle) -> list[tuple[str, Design, Pattern]]:
    """Every demo table of more than 1,000 vectors, and random ones on all pins."""
    found = []
    for design in shuttle.designs:
        for table in design.tables:
            pattern = load_table(table, design, shuttle)
            if len(pattern) > 1000:
                found.append((f"{design.name}/{table.name}", design, pattern))
    found.append((SAME_VECTORS, shuttle.designs[0], random_vectors(shuttle)))
    return found


def random_vectors(shuttle: Shuttle) -> Pattern:
    """Vectors that no coder can make small: every bit of input and output random."""
    count = 50_000
    rng = np.random.default_rng(1)
    drive = rng.integers(0, 512, count).astype(np.uint32)
    expect = (rng.integers(0, 512, count) << 9).astype(np.uint32)
    zero = np.zeros(count, np.uint32)
    bus = Bus("i", shuttle.pins[:9], Direction.INPUT)
    return Pattern(
        drive=drive,
        enable=zero + np.uint32(511),
        pulse=zero,
        expect=expect,
        care=zero + np.uint32(511 << 9),
        highz=zero,
        repeat=zero + np.uint32(1),
        until=np.zeros(count, np.bool_),
        line=np.zeros(count, np.int32),
        signals=(bus,),
    )


def measure(session: Session, name: str, pattern: Pattern, script: float) -> list[str]:
    """Run one pattern and print its figures."""
    capture = session.run(pattern, FREE_RUNNING)
    vectors = len(pattern)
    size = (capture.wire.sent + capture.wire.received) / vectors
    trips = capture.wire.round_trips * 1000 / max(vectors, 1000)
    rate = capture.cycles / capture.seconds
    print(
        f"{name:34} {rate:12,.0f} vectors/s {size:8.2f} bytes/vector "
        f"{trips:6.2f} round trips/1,000 {rate / script:8.0f} x the script"
    )
    targets = {"bytes": size <= 4.0, "round trips": trips <= 1.0}
    if name == SAME_VECTORS:
        targets["speed"] = rate >= 50 * script
    return [f"{name}: {what}" for what, met in targets.items() if not met]


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
    sys.exit(main())
