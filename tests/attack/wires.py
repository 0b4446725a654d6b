"""Attacks by the wire: a table's verdict is the true one, or ERROR, however its bytes are damaged.

An input is the JSON of what happens: which chip, which table, and the faults of both directions.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from typing import Any

from harness.errors import HarnessError
from harness.judge import Case, RetryPolicy, examine
from harness.records import Verdict
from harness.shuttle import TableSpec
from tests.attack.attack import REFUSED, SAME, Attack, Wrong
from tests.unit.agent.tern import (
    NRESET,
    SHUTTLE,
    TernChip,
    TernPins,
    checked_pattern,
    design,
    random_pattern,
    reference,
)
from tests.unit.board.joined_session import join
from tests.unit.link.joined import Wire

PIECE = 48
STUCK = (0, 0, 0, 0x100, 0x1000, 0xFF00)
FAULTS = ("flips", "drops", "doubles", "noise", "burst", "swap", "again", "cut", "zeros")


@dataclass
class HostileWire(Wire):
    """A wire that spoils pieces of what it carries, by names of :data:`FAULTS` and a chance."""

    faults: tuple[str, ...] = ()
    chance: float = 0.0
    back: bytes = b""
    dead: bool = False
    spoilt: int = 0
    before: bytes = field(default=b"")

    def carry(self, data: bytes) -> bytes:
        arrived = b""
        for at in range(0, len(data), PIECE):
            arrived += self._piece(data[at : at + PIECE])
        return arrived

    def _piece(self, piece: bytes) -> bytes:
        before, self.before = self.before, piece
        if self.dead:
            return b""
        if self.faults and self.random.random() < self.chance:
            self.spoilt += 1
            piece = _SPOIL[self.random.choice(self.faults)](self, piece, before)
        held, self.back = self.back, b""
        return piece + held


def _flips(wire: HostileWire, piece: bytes, before: bytes) -> bytes:
    spoiled = bytearray(piece)
    for _ in range(wire.random.choice((1, 1, 2, 5))):
        spoiled[wire.random.randrange(len(spoiled))] ^= 1 << wire.random.randrange(8)
    return bytes(spoiled)


def _drops(wire: HostileWire, piece: bytes, before: bytes) -> bytes:
    at = wire.random.randrange(len(piece))
    return piece[:at] + piece[at + wire.random.randint(1, PIECE) :]


def _doubles(wire: HostileWire, piece: bytes, before: bytes) -> bytes:
    at = wire.random.randrange(len(piece))
    return piece[:at] + piece[at:] + piece[at:]


def _noise(wire: HostileWire, piece: bytes, before: bytes) -> bytes:
    at = wire.random.randrange(len(piece))
    return piece[:at] + wire.random.randbytes(wire.random.choice((1, 8, 300))) + piece[at:]


def _burst(wire: HostileWire, piece: bytes, before: bytes) -> bytes:
    return wire.random.randbytes(len(piece))


def _swap(wire: HostileWire, piece: bytes, before: bytes) -> bytes:
    wire.back = piece  # comes behind the next
    return b""


def _again(wire: HostileWire, piece: bytes, before: bytes) -> bytes:
    return before + piece


def _cut(wire: HostileWire, piece: bytes, before: bytes) -> bytes:
    wire.dead = wire.random.random() < 0.3
    return b""


def _zeros(wire: HostileWire, piece: bytes, before: bytes) -> bytes:
    at = wire.random.randrange(len(piece))
    return piece[:at] + bytes(len(piece) - at)


_SPOIL: dict[str, Callable[[HostileWire, bytes, bytes], bytes]] = dict(
    zip(
        FAULTS,
        (_flips, _drops, _doubles, _noise, _burst, _swap, _again, _cut, _zeros),
        strict=True,
    )
)


class Wires:
    """Tables on a good and on bad chips, through a wire that does what an input says."""

    def make(self, random: Random) -> bytes:
        plan = {
            "seed": random.randrange(1 << 30),
            "stuck": random.choice(STUCK),
            "rows": random.choice((1, 7, 30, 90)),
            "checked": random.random() < 0.5,
            "wrong": random.choice((0.0, 0.0, 0.05)),
            "slow": random.choice((0.0, 0.2)),
            "down": _side(random),
            "up": _side(random),
        }
        return json.dumps(plan).encode("ascii")

    def judge(self, case: bytes) -> str:
        try:
            plan: dict[str, Any] = json.loads(case)
            draw = checked_pattern if plan["checked"] else random_pattern
            pattern = draw(plan["seed"], plan["rows"], wrong_rate=plan["wrong"])
        except (ValueError, KeyError, TypeError):
            return REFUSED  # no input of ours: what shrinking leaves
        truth = reference(pattern, TernChip(total=0, stuck=plan["stuck"]), NRESET)
        wanted = Verdict.FAIL if truth.wrong else Verdict.PASS
        session, board = join(TernPins(TernChip(stuck=plan["stuck"])), seed=plan["seed"])
        board.agent_port.slow = plan["slow"]
        random = Random(plan["seed"])
        board.to_board = HostileWire(random, faults=tuple(plan["down"][0]), chance=plan["down"][1])
        board.to_host = HostileWire(random, faults=tuple(plan["up"][0]), chance=plan["up"][1])
        spec = TableSpec("t", Path("t.csv"), 50_000.0, reset_cycles=1)
        try:
            session.select(design(0))
        except HarnessError as error:
            return f"not selected: {type(error).__name__}"
        found = examine(
            session,
            Case("A1", "T-01", "B-01", SHUTTLE, design(0), spec, pattern),
            RetryPolicy(),
        )
        verdict = found.outcome.verdict
        if verdict is Verdict.ERROR:
            return "ERROR"
        if verdict is not wanted:
            raise Wrong(f"{verdict} where {wanted} is true: {found.outcome.summary}")
        spoilt = board.to_board.spoilt + board.to_host.spoilt
        return f"{verdict}, {SAME if not spoilt else 'true'}"


def _side(random: Random) -> tuple[list[str], float]:
    """Faults of one direction."""
    faults = random.sample(FAULTS, random.choice((1, 1, 2, len(FAULTS))))
    return sorted(faults), random.choice((0.0, 0.01, 0.03, 0.1, 0.3))


def wires(folder: Path) -> Attack:
    """Hostile wires."""
    return Wires()
