"""Speed of a virtual chip, side by side with plain Python.

Run: python -m tests.bench.chip_speed. Prints vectors per second through a virtual chip, for designs
of the demo shuttle, with random inputs and a clock pulse in each. The plain evaluator does the same
gates in the same order without numpy. Each figure is the best of several rounds: the machine may be
busy with other things.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from harness.board import ShiftSelect
from harness.netlist import Netlist, load_netlist
from harness.shuttle import Design, Direction, Shuttle, load_shuttle
from harness.table import Words
from harness.virtual.chip import ChipModel

VECTORS = Path(__file__).parents[2] / "vectors" / "shuttle.toml"
DESIGNS = ("bcd7seg", "ctr163", "uart", "spibank", "chachaqr")
SELECT = ShiftSelect("seld", "selc", 5)
ROUNDS = 15
BURST = 5_000


def best(action: Callable[[], object]) -> float:
    """Processor seconds of the fastest of several rounds."""
    taken = []
    for _ in range(ROUNDS):
        start = time.process_time()
        action()
        taken.append(time.process_time() - start)
    return min(taken)


class PlainChip:
    """One design of gates and single-clock flops, in plain Python lists."""

    def __init__(self, netlist: Netlist) -> None:
        self.gates = netlist.tables.gates.tolist()
        self.q, self.data = netlist.tables.q.tolist(), netlist.tables.data.tolist()
        self.values = [0] * netlist.net_count
        self.values[1] = 1
        self.inputs = [
            net for port in netlist.ports if port.direction == "input" for net in port.nets
        ]

    def evaluate(self) -> None:
        """All gates once."""
        values = self.values
        for kind, a, b, out in self.gates:
            if kind >= 4:
                level = values[a] ^ values[b]
            else:
                flip = kind >> 1
                level = (values[a] ^ flip) & (values[b] ^ flip)
            values[out] = level ^ (kind & 1)

    def vectors(self, words: list[int]) -> None:
        """Run some vectors."""
        for word in words:
            self.vector(word)

    def vector(self, word: int) -> None:
        """Inputs, gates, all flops at once, gates: what a vector with one pulse needs."""
        for place, net in enumerate(self.inputs):
            self.values[net] = word >> place & 1
        self.evaluate()
        taken = [self.values[net] for net in self.data]
        for net, level in zip(self.q, taken, strict=True):
            self.values[net] = level
        self.evaluate()


def chip_words(shuttle: Shuttle) -> tuple[Words, Words, Words, Words]:
    """Random inputs, one clock pulse a vector, reset at rest."""
    rng = np.random.default_rng(1)
    inputs, clock = shuttle.mask(Direction.INPUT), shuttle.mask(Direction.CLOCK)
    rest = shuttle.mask(Direction.RESET)
    drive = rng.integers(0, 2**32, BURST, dtype=np.uint32) & np.uint32(inputs) | np.uint32(rest)
    enable = np.full(BURST, inputs | clock | rest | shuttle.mask(Direction.SELECT), dtype=np.uint32)
    return drive, enable, np.full(BURST, clock, dtype=np.uint32), np.zeros(BURST, dtype=np.uint32)


def select(chip: ChipModel, shuttle: Shuttle, address: int) -> None:
    """Shift an address in."""
    pins = shuttle.pins_by_name
    rest = pins["nreset"].mask
    levels = [address >> place & 1 for place in reversed(range(SELECT.bits))]
    drive = np.array([rest | level * pins["seld"].mask for level in levels], dtype=np.uint32)
    everything = np.full(len(drive), 2**32 - 1, dtype=np.uint32)
    pulse = np.full(len(drive), pins["selc"].mask, dtype=np.uint32)
    chip.run(drive, everything, pulse, np.zeros(len(drive), dtype=np.uint32))


def measure(shuttle: Shuttle, design: Design) -> None:
    """Print one line for one design."""
    assert design.netlist is not None
    netlist = load_netlist(design.netlist, design.top)
    plain = PlainChip(netlist)
    chip = ChipModel(shuttle, SELECT, "SP2-0001")
    select(chip, shuttle, design.address)
    words = chip_words(shuttle)
    chip.run(*words)
    fast = BURST / best(lambda: chip.run(*words))
    few = [int(word) for word in words[0][:200]]
    slow = len(few) / best(lambda: plain.vectors(few))
    print(
        f"{design.name:10s} {netlist.gate_count:5d} {netlist.flop_count:5d}"
        f" {fast:12,.0f} {slow:12,.0f} {fast / slow:6.0f} x {1e6 / fast:8.2f}"
    )


def main() -> None:
    """Print the table."""
    shuttle = load_shuttle(VECTORS)
    print("design     gates flops    vectors/s plain Python    ratio   µs each")
    for name in DESIGNS:
        measure(shuttle, shuttle.designs_by_name[name])


if __name__ == "__main__":
    main()
