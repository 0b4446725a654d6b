"""The compressed pattern stream: bytes, round trips and expansion for every demo table.

No board: the tool's encoder, its link machine, and the agent's loops in the real interpreter. Run
with ``python -m tests.bench.stream``; it ends with 1 if a target is missed. Bytes are those on the
wire to the board, framing included; means are geometric, over demo tables of more than 1,000
vectors.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from harness.agent import protocol
from harness.board.encode import (
    block_bounds,
    encode_bodies,
    encode_pattern,
    match,
    plain_words,
    wire_fields,
)
from harness.board.profile_model import BoardProfile
from harness.link import Channel, Command
from harness.link.framing import FrameReader, make_frame
from harness.shuttle import Shuttle, load_shuttle
from harness.table import Pattern
from tests.bench import schemes
from tests.bench.expansion import ROWS, cycles, expansion
from tests.bench.patterns import ROOT, again, cut, random_vectors, work
from tests.bench.targets import Target, conclude

MEASURED_BLOCKS = 6
"""Blocks of a table whose expansion is timed."""
MILLION = 1_000_000


class Answering:
    """A port whose far end answers every frame at once."""

    def __init__(self) -> None:
        self._reader = FrameReader()
        self._answers = bytearray()

    def read(self, _timeout: float) -> bytes:
        answers = bytes(self._answers)
        self._answers.clear()
        return answers

    def write(self, data: bytes) -> None:
        for body in self._reader.feed(data):
            self._answers += make_frame(body[0], body[1], protocol.DONE, b"\x00\x00\x00")

    def close(self) -> None:
        """Nothing to let go of."""


@dataclass(frozen=True)
class Figures:
    """What one run of a pattern costs on the wire."""

    size: int
    blocks: int
    round_trips: int


def figures(pattern: Pattern) -> Figures:
    """Send a pattern through the real link machine, with the bytes in flight of a profile."""
    blocks = list(encode_pattern(pattern, ROWS))
    channel = Channel(Answering(), BoardProfile.in_flight, session=1)
    commands: list[Command] = [command for block in blocks for command in block.commands]
    for _ in channel.exchange(commands):
        pass
    size = sum(len(make_frame(1, 1, one.kind, one.payload)) for one in commands)
    return Figures(size, len(blocks), channel.link.round_trips)


def print_sizes(tables: dict[str, Pattern]) -> tuple[dict[str, list[float]], float]:
    """Bytes a vector of the tool's streams and of all candidates, and most trips per burst."""
    names = ["tool", *schemes.CANDIDATES]
    heads = "".join(f"{name:>15}" for name in names)
    print("bytes on the wire for each vector (the tool's stream, LZ4, without the expectation of")
    print("checked blocks; schemes that were tried, deflated and with it; words as they are: 28)")
    print(f"{'table':28}{'vectors':>8}{'trips':>6}{'blocks':>7}{heads}")
    found: dict[str, list[float]] = {}
    trips = 0.0
    for name, pattern in tables.items():
        fields = wire_fields(pattern)
        bounds = list(block_bounds(pattern, ROWS))
        tool = figures(pattern)
        sizes = [
            tool.size,
            *(schemes.size(scheme, fields, bounds) for scheme in schemes.CANDIDATES.values()),
        ]
        found[name] = [size / len(pattern) for size in sizes]
        row = "".join(f"{size:15.3f}" for size in found[name])
        print(f"{name[:28]:28}{len(pattern):8}{tool.round_trips:6}{tool.blocks:7}{row}")
        trips = max(trips, tool.round_trips / tool.blocks)
    return found, trips


def blocks_of(pattern: Pattern) -> Iterator[dict[str, int | str]]:
    """Some blocks of a pattern, in every form whose expansion is timed."""
    fields = wire_fields(pattern)
    bounds = list(block_bounds(pattern, ROWS))[:MEASURED_BLOCKS]
    for (first, stop), coded in zip(bounds, encode_bodies(fields, bounds), strict=True):
        block = tuple(field[first:stop] for field in fields)
        matched = match(coded)
        yield {
            "count": stop - first,
            "coded": coded.hex(),
            "matched": matched.hex() if len(matched) < len(coded) else "",
            "words": plain_words(block).hex(),
            "bytes": schemes.byte_planes(block).hex(),
        }


def print_expansion(tables: dict[str, Pattern]) -> list[Target]:
    """Time and estimated cycles of expansion, beside plain words and byte planes."""
    found = expansion([list(blocks_of(pattern)) for pattern in tables.values()])
    if found is None:
        print("no MicroPython interpreter for this machine: expansion is not timed")
        return []
    print("\nexpansion, RP2040 cycles a vector, estimated from times in the unix interpreter")
    print("(in brackets: ns there)")
    print(f"{'table':28}{'tool, viper':>18}{'LZ4, viper':>18}", end="")
    print(f"{'copy of 7 words':>18}{'byte planes':>18}{'tool : copy':>12}")
    ways = ("expand", "unmatch", "copy", "byte planes")
    for name, took in zip(tables, found, strict=True):
        row = "".join(f"{cycles(took, way):9.0f} ({took[way]:6.1f})" for way in ways)
        print(f"{name[:28]:28}{row}{took['expand'] / took['copy']:12.2f}")
    ratios = [took["expand"] / took["byte planes"] for took in found]
    mean = float(np.exp(np.log(ratios).mean()))
    asked = "expansion in less time than that of byte planes (geometric mean)"
    return [Target(asked, f"{mean:.2f} of it", mean < 1)]


def print_random(shuttle: Shuttle) -> list[Target]:
    """Random data against its raw size, for several lengths; strictly, and as plain words."""
    print(
        "\nrandom data, all bits of all words random (raw: 28 bytes a vector), and only nine pins"
    )
    print("in and nine out (raw: 18 bits a vector, nothing else); payload over raw")
    worst = long = 0.0
    for count in (1, 2, 7, 8, 9, 100, 1023, 1024, 1025, 20_000):
        everything, pins = all_random(count), nine_and_nine(shuttle, count)
        words = payload(everything) / raw(count)
        bits = payload(pins) / (18 * count / 8)
        print(f"{count:8} vectors {words:8.4f} of the words {bits:10.4f} of the bits")
        worst = max(worst, words)
        long = bits
    return [
        Target("random words at most 1.01 of their raw size", f"{worst:.4f}", worst <= 1.01),
        Target("20,000 random vectors on 18 pins, of their bits", f"{long:.4f}", long <= 1.01),
    ]


def raw(count: int) -> int:
    """Bytes of all commands of a run whose words are sent as they are."""
    return 28 * count + 4 * -(-count // ROWS)


def payload(pattern: Pattern) -> int:
    """Bytes of all commands of a run, framing left out."""
    blocks = encode_pattern(pattern, ROWS)
    return sum(len(command.payload) for block in blocks for command in block.commands)


def all_random(count: int) -> Pattern:
    """Every bit of every word random."""
    random = np.random.default_rng(count)
    words = [random.integers(0, 1 << 32, count, dtype=np.uint32) for _ in range(7)]
    no = np.zeros(count, np.bool_)
    return Pattern(
        drive=words[0],
        enable=words[1],
        pulse=words[2],
        expect=words[3],
        care=words[4],
        highz=words[5],
        repeat=words[6] & np.uint32(0x7FFFFFFF),
        until=no,
        line=no.astype(np.int32),
        signals=(),
    )


def nine_and_nine(shuttle: Shuttle, count: int) -> Pattern:
    """The first of the random vectors on nine pins in and nine out."""
    return cut(random_vectors(shuttle), count)


def print_encoding(tables: dict[str, Pattern]) -> list[Target]:
    """Seconds for a million vectors."""
    print("\nencoding a million vectors (the table over and over; frames included)")
    slowest = 0.0
    for name, pattern in tables.items():
        long = again(pattern, MILLION)
        began = time.process_time()
        for block in encode_pattern(long, ROWS):
            for command in block.commands:
                make_frame(1, 1, command.kind, command.payload)
        took = time.process_time() - began
        print(f"{name[:28]:28}{took:8.2f} s")
        slowest = max(slowest, took)
    return [Target("a million vectors encoded within 1 s", f"{slowest:.2f} s", slowest < 1.0)]


def print_means(found: dict[str, list[float]]) -> list[Target]:
    """Geometric means over the demo tables, and whether the target is met."""
    names = ["tool", *schemes.CANDIDATES]
    demo = [row for name, row in found.items() if "/" in name]
    means = np.exp(np.log(np.array(demo)).mean(axis=0))
    print(f"{'geometric mean of tables':49}" + "".join(f"{mean:15.3f}" for mean in means))
    ours, zlib = means[0], means[names.index("words by row")]
    return [
        Target(
            "at most 0.25 byte a vector on the wire (mean of tables)", f"{ours:.3f}", ours <= 0.25
        ),
        Target("less than zlib makes of the same words", f"{ours:.2f} : {zlib:.2f}", ours < zlib),
    ]


def targets() -> list[Target]:
    """Print the figures; what they come to."""
    shuttle = load_shuttle(ROOT / "vectors" / "shuttle.toml")
    tables = {name: pattern for name, _, pattern in work(shuttle)}
    sizes, trips = print_sizes(tables)
    found = print_means(sizes)
    found.append(Target("at most one round trip per burst", f"at most {trips:.2f}", trips <= 1))
    found += print_expansion(tables)
    found += print_random(shuttle)
    return found + print_encoding(tables)


if __name__ == "__main__":
    sys.exit(conclude(targets()))
