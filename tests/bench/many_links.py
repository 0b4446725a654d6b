"""Thirty-two boards at full link rate, from one core.

The host's own link (ports, channels, framing, a thread per board) talks to 32 pseudo-terminals.
Behind them one other process takes bytes at the pace of a controller and answers every frame with
one that it made before. The host is held to one core; its processor time is what counts, because
other programs may take theirs. Run with ``python -m tests.bench.many_links``; it ends with 1 if a
target is missed.
"""

from __future__ import annotations

import os
import re
import resource
import signal
import sys
import threading
import time
import tty
from dataclasses import dataclass, field

import numpy as np

from harness.agent import protocol
from harness.board.encode import CHUNK
from harness.board.profile_model import BoardProfile
from harness.link import Channel, Command, SerialPort
from harness.link.framing import make_frame
from tests.bench.targets import Target, conclude

LINKS = 32
RATE = 124_000
"""Bytes a second that a controller takes from its serial port."""
SECONDS = 5.0
SESSION = 7
SWEEP = 0.004
"""Seconds between two looks of the peer at all its ports."""
REACHED = 0.97
"""Part of the rate that every link must reach: the rest is start and end."""
FRAME_END = re.compile(rb"[^\x00]\x00")


@dataclass
class Board:
    """The peer's end of one link: what it took so far, and the number of its next answer."""

    end: int
    taken: int = 0
    number: int = 0
    last: bytes = b"\x00"
    owed: bytearray = field(default_factory=bytearray)


def serve(ends: list[int]) -> None:
    """Be 32 boards until stopped."""
    answers = [make_frame(SESSION, number, protocol.DONE, b"\x00\x00\x00") for number in range(256)]
    boards = [Board(end) for end in ends]
    for board in boards:
        os.set_blocking(board.end, False)
    began = 0.0
    while True:
        time.sleep(SWEEP)
        now = time.monotonic()
        for board in boards:
            took = take(board, answers, RATE if not began else int((now - began) * RATE))
            began = began or (now - SWEEP if took else 0.0)


def take(board: Board, answers: list[bytes], allowed: int) -> int:
    """Take the bytes that are allowed by now, and answer the frames that end in them."""
    room = allowed - board.taken
    if room >= protocol.QUANTUM:
        try:
            data = os.read(board.end, room)
        except BlockingIOError:
            data = b""
        board.taken += len(data)
        for _ in FRAME_END.findall(board.last + data):
            board.owed += answers[board.number & 0xFF]
            board.number += 1
        board.last = data[-1:] or board.last
        if board.owed:
            del board.owed[: os.write(board.end, board.owed)]
        return len(data)
    return 0


@dataclass
class Link:
    """What one link did."""

    sent: int = 0
    seconds: float = 0.0
    repeated: int = 0


def drive(
    url: str, in_flight: int, commands: list[Command], link: Link, start: threading.Barrier
) -> None:
    """Send commands over one link, and take every answer."""
    port = SerialPort(url)
    channel = Channel(port, in_flight, session=SESSION)
    start.wait()
    began = time.monotonic()
    for _ in channel.exchange(commands):
        pass
    link.seconds = time.monotonic() - began
    link.sent = channel.traffic.sent
    link.repeated = channel.link.resent
    port.close()


def open_terminals() -> tuple[list[int], list[str]]:
    """Raw pseudo-terminals: the boards' ends, and the names of the host's."""
    ends, names = [], []
    for _ in range(LINKS):
        master, slave = os.openpty()
        tty.setraw(slave)
        ends.append(master)
        names.append(os.ttyname(slave))
    return ends, names


def measure(in_flight: int) -> tuple[list[Link], float, float]:
    """Run all links; gives each, the processor time of this process, and the wall time."""
    ends, names = open_terminals()
    peer = os.fork()
    if not peer:
        serve(ends)
    try:
        return drive_all(names, in_flight)
    finally:
        os.kill(peer, signal.SIGKILL)
        os.waitpid(peer, 0)


def drive_all(names: list[str], in_flight: int) -> tuple[list[Link], float, float]:
    """Drive all links from one core, a thread each, and wait for the last."""
    random = np.random.default_rng(1)
    count = int(RATE * SECONDS / CHUNK)
    commands = [Command(protocol.LOAD, random.bytes(CHUNK)) for _ in range(count)]
    links = [Link() for _ in range(LINKS)]
    start = threading.Barrier(LINKS + 1)
    threads = [
        threading.Thread(target=drive, args=(name, in_flight, commands, link, start))
        for name, link in zip(names, links, strict=True)
    ]
    cores = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {max(cores)})
    for thread in threads:
        thread.start()
    start.wait()
    began, before = time.monotonic(), resource.getrusage(resource.RUSAGE_SELF)
    for thread in threads:
        thread.join()
    wall, after = time.monotonic() - began, resource.getrusage(resource.RUSAGE_SELF)
    os.sched_setaffinity(0, cores)
    used = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return links, used, wall


def targets() -> list[Target]:
    """Print the figures; what they come to."""
    links, used, wall = measure(BoardProfile.in_flight)
    rates = sorted(link.sent / link.seconds for link in links)
    repeated = sum(link.repeated for link in links)
    print(f"{LINKS} links of {RATE / 1000:.0f} kB/s each, host held to one core")
    print(f"slowest link         {rates[0] / 1000:9.1f} kB/s ({rates[0] / RATE:.1%} of its rate)")
    print(f"all links            {sum(rates) / 1e6:9.2f} MB/s")
    print(f"processor time       {used / wall:9.1%} of one core")
    print(f"commands repeated    {repeated:9d}")
    slowest, core = rates[0] / RATE, used / wall
    asked = f"{LINKS} boards at {REACHED:.0%} of {RATE / 1000:.0f} kB/s or more, slowest board"
    return [
        Target(asked, f"{slowest:.1%}", slowest >= REACHED),
        Target(f"processor time for {LINKS} boards below one core", f"{core:.0%}", used < wall),
        Target(f"no command repeated on {LINKS} links", str(repeated), not repeated),
    ]


if __name__ == "__main__":
    sys.exit(conclude(targets()))
