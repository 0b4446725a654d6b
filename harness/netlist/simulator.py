"""A netlist that runs: set inputs, settle, read; many lanes at once, each with its own faults.

The one rule: lane ``k`` is bit ``k % 64`` of word ``k // 64``, and lanes never influence each
other.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from harness.errors import NetlistError
from harness.netlist.kernel import prime, settle_words
from harness.netlist.lanes import ALL, SETTLED, Lanes, Memory, Patches, new_memory
from harness.netlist.model import HIGH, Netlist, PortDirection

_SHIFTS = np.arange(64, dtype=np.uint64)


@dataclass(frozen=True)
class StuckAt:
    """A net that holds ``level`` in some lanes."""

    net: int
    level: int
    lanes: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class FlopState:
    """The contents of every flop, and the clock levels it last saw, in every word."""

    state: Lanes
    clocks: Lanes


class Simulator:
    """Runs a netlist in ``lanes`` independent lanes.

    Flops and inputs start at 0, clocks too: what :meth:`drive` changes before the first
    :meth:`settle` can be an edge. Nothing drives bidirectional ports from outside at first.
    """

    def __init__(self, netlist: Netlist, lanes: int = 64) -> None:
        self.netlist = netlist
        self.lanes = lanes
        self.words = -(-lanes // 64)
        self._memory = Memory._make(np.tile(a, (self.words, 1)) for a in new_memory(netlist))
        self._patches = self._forced([])
        self._inputs: dict[int, Lanes] = {}
        self._primed = False

    def drive(self, port: str, values: ArrayLike) -> None:
        """Drive an input or bidirectional port from outside: one number, or one a lane.

        Numbers have the port's bits, least significant first. Takes effect at :meth:`settle`.
        Raises NetlistError for an output port or one that does not exist.
        """
        numbers = np.broadcast_to(np.asarray(values, dtype=np.uint64), (self.lanes,))
        for index, (level, enable) in enumerate(self._pins(port)):
            self._inputs[level] = self.pack(numbers >> np.uint64(index))
            if enable != HIGH:
                self._inputs[enable] = np.full(self.words, ALL, dtype=np.uint64)

    def release(self, port: str) -> None:
        """Stop driving a bidirectional port in all lanes; it reads 0 where the design floats."""
        for level, enable in self._pins(port):
            self._inputs[level] = np.zeros(self.words, dtype=np.uint64)
            if enable != HIGH:
                self._inputs[enable] = np.zeros(self.words, dtype=np.uint64)

    def _pins(self, port: str) -> list[tuple[int, int]]:
        """Net of the level and of the enable (HIGH if always driven) for each bit of a port."""
        found = self.netlist.port(port)
        if found.direction is PortDirection.OUTPUT:
            message = f"{self.netlist.where}: {port} is an output and cannot be driven"
            raise NetlistError(message)
        tristates = (self.netlist.tristates.get(net) for net in found.nets)
        return [
            (tri.outside, tri.outside_enable) if tri else (net, HIGH)
            for net, tri in zip(found.nets, tristates, strict=True)
        ]

    def stick(self, faults: Sequence[StuckAt]) -> None:
        """Force nets, in the lanes that each fault names, from now on; replaces earlier faults."""
        self._patches = self._forced(faults)

    def _forced(self, faults: Sequence[StuckAt]) -> Patches:
        """Patches for the kernel, with a row of lanes and levels for each word."""
        gates = self.netlist.gate_by_output
        ordered = sorted(faults, key=lambda fault: gates.get(fault.net, -1))
        shape = (self.words, len(ordered))
        mask, level = np.zeros(shape, dtype=np.uint64), np.zeros(shape, dtype=np.uint64)
        for index, fault in enumerate(ordered):
            for lane in fault.lanes:
                mask[lane // 64, index] |= np.uint64(1 << (lane % 64))
            level[:, index] = ALL if fault.level else 0
        gate = np.array([gates.get(fault.net, -1) for fault in ordered], dtype=np.int64)
        net = np.array([fault.net for fault in ordered], dtype=np.uint32)
        return Patches(gate, net, mask, level)

    def settle(self) -> None:
        """Let the inputs take effect, with every clock edge that follows, until all is stable.

        Raises NetlistError that names a net which never becomes stable.
        """
        if not self._primed:
            self._prime()
        for net, values in self._inputs.items():
            self._memory.values[:, net] = values
        restless = settle_words(self._memory, self.netlist.tables, self._patches)
        if restless != SETTLED:
            name = self.netlist.names[restless]
            message = f"{self.netlist.where}: net {name} never becomes stable"
            raise NetlistError(message)

    def _prime(self) -> None:
        """Take the clocks' levels before any input changes as no edge."""
        for word in range(self.words):
            row = Memory._make(array[word] for array in self._memory)
            gate, net, mask, level = self._patches
            prime(row, self.netlist.tables, Patches(gate, net, mask[word], level[word]))
        self._primed = True

    def read(self, port: str) -> NDArray[np.uint64]:
        """Levels of a port as numbers, one a lane (ports of up to 64 bits)."""
        total = np.zeros(self.lanes, dtype=np.uint64)
        for index, net in enumerate(self.netlist.port(port).nets):
            total |= self.unpack(self.net(net)) << np.uint64(index)
        return total

    def floating(self, port: str) -> NDArray[np.uint64]:
        """Which bits of a port the design leaves floating, as numbers, one a lane."""
        total = np.zeros(self.lanes, dtype=np.uint64)
        for index, net in enumerate(self.netlist.port(port).nets):
            tri = self.netlist.tristates.get(net)
            if tri:
                total |= self.unpack(~self.net(tri.enable)) << np.uint64(index)
        return total

    def net(self, net: int) -> Lanes:
        """Levels of a net, a word for each 64 lanes."""
        return self._memory.values[:, net].copy()

    @property
    def flops(self) -> FlopState:
        """A copy of what every flop holds; assign it back to return to that state."""
        return FlopState(self._memory.state.copy(), self._memory.clocks.copy())

    @flops.setter
    def flops(self, flops: FlopState) -> None:
        self._memory.state[:] = flops.state
        self._memory.clocks[:] = flops.clocks

    def power_up(self, seed: int) -> None:
        """Give every flop a pseudo-random level, alike in all lanes; clocks see no edge."""
        bits = np.random.default_rng(seed).integers(0, 2, self.netlist.flop_count, dtype=np.uint64)
        self._memory.state[:] = bits * ALL
        self._primed = False

    def pack(self, bits: NDArray[np.uint64]) -> Lanes:
        """Bit 0 of one number a lane → words."""
        padded = np.zeros(self.words * 64, dtype=np.uint64)
        padded[: self.lanes] = bits & np.uint64(1)
        packed: Lanes = np.bitwise_or.reduce(padded.reshape(-1, 64) << _SHIFTS, axis=1)
        return packed

    def unpack(self, words: Lanes) -> NDArray[np.uint64]:
        """Words → 0 or 1 for each lane."""
        bits: NDArray[np.uint64] = (words[:, None] >> _SHIFTS) & np.uint64(1)
        return bits.reshape(-1)[: self.lanes]
