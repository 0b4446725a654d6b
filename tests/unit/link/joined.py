"""The agent and the host's port joined in one process by a wire that can be made to spoil bytes.

No thread, no sleep: the clock is moved by hand whenever the host waits.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from enum import Enum
from random import Random

from harness.agent.engine import Engine
from harness.agent.faces import PinsFace
from harness.agent.protocol import BUSY, MAX_READ, frame
from harness.agent.server import Server


class Clock:
    """Seconds that pass only in waits."""

    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


class Fault(Enum):
    """What can happen to a byte on the wire."""

    FLIP = "one bit flipped"
    DROP = "lost"
    DOUBLE = "doubled"
    NOISE = "preceded by a byte that nobody sent"


@dataclass
class Wire:
    """One direction. ``rate`` is the chance per byte that a disturbance begins.

    A disturbance lasts for three bytes in the mean. ``planned`` maps positions to faults.
    """

    random: Random
    rate: float = 0.0
    planned: dict[int, Fault] = field(default_factory=dict)
    carried: int = 0
    disturbed: bool = False
    injected: dict[Fault, int] = field(default_factory=lambda: dict.fromkeys(Fault, 0))

    def carry(self, data: bytes) -> bytes:
        arrived = bytearray()
        for byte in data:
            fault = self.planned.pop(self.carried, None)
            if fault is None and self.rate and self._disturbed():
                fault = self.random.choice(tuple(Fault))
            self.carried += 1
            arrived += self._spoil(byte, fault)
        return bytes(arrived)

    def _disturbed(self) -> bool:
        self.disturbed = self.random.random() < (0.667 if self.disturbed else self.rate)
        return self.disturbed

    def plan(self, faults: Iterable[tuple[int, Fault]]) -> None:
        """Damage bytes by their distance from those carried so far."""
        self.planned = {self.carried + ahead: fault for ahead, fault in faults}

    def _spoil(self, byte: int, fault: Fault | None) -> bytes:
        if fault is None:
            return bytes((byte,))
        self.injected[fault] += 1
        match fault:
            case Fault.FLIP:
                return bytes((byte ^ 1 << self.random.randrange(8),))
            case Fault.DROP:
                return b""
            case Fault.DOUBLE:
                return bytes((byte, byte))
            case Fault.NOISE:
                return bytes((self.random.randrange(256), byte))


class AgentPort:
    """The agent's side: what ``main.Port`` is on a board."""

    def __init__(self, random: Random) -> None:
        self.chunk = bytearray(MAX_READ)
        self.inbox = bytearray()
        self.outbox = bytearray()
        self.random = random
        self.slow = 0.0

    def read(self, wanted: int) -> int:
        count = min(self.random.randint(1, wanted), len(self.inbox))
        self.chunk[:count] = self.inbox[:count]
        del self.inbox[:count]
        return count

    def ready(self) -> bool:
        return bool(self.inbox)

    def write(self, data: bytes) -> None:
        self.outbox += data

    def begin(self) -> None:
        pass

    def overdue(self) -> bool:
        return self.random.random() < self.slow


class JoinedBoard:
    """A ``Port`` for the host; behind it the real server and engine work when it reads."""

    def __init__(
        self, pins: PinsFace, clock: Clock, *, session: int = 7, seed: int = 0, rows: int = 64
    ) -> None:
        random = Random(seed)
        self.clock = clock
        self.to_board = Wire(random)
        self.to_host = Wire(random)
        self.agent_port = AgentPort(random)
        self.engine = Engine(pins, rows)
        self.server = Server(session, self.engine, self.agent_port)
        self.agent_port.write(frame(session, 0, BUSY, b""))
        self.closed = False
        self._random = random
        self._arrived = bytearray()
        self._at_read: tuple[int, Callable[[], None]] | None = None

    def call_at_read(self, reads: int, action: Callable[[], None]) -> None:
        """Do something in the middle of the host's work, after a number of reads from now."""
        self._at_read = (reads, action)

    @property
    def faults(self) -> int:
        return sum(self.to_board.injected.values()) + sum(self.to_host.injected.values())

    def write(self, data: bytes) -> None:
        self.agent_port.inbox += self.to_board.carry(data)

    def read(self, timeout: float) -> bytes:
        self._count_read()
        self._work()
        if not self._arrived:
            self.clock.now += max(timeout, 0.001)
            return b""
        self.clock.now += 0.0005
        count = self._random.randint(1, len(self._arrived))
        data = bytes(self._arrived[:count])
        del self._arrived[:count]
        return data

    def close(self) -> None:
        self.closed = True

    def _count_read(self) -> None:
        if self._at_read is None:
            return
        left, action = self._at_read
        self._at_read = (left - 1, action) if left else None
        if not left:
            action()

    def _work(self) -> None:
        server = self.server
        while self.agent_port.inbox and not server.closed:
            server.step()
        self._arrived += self.to_host.carry(bytes(self.agent_port.outbox))
        self.agent_port.outbox.clear()
