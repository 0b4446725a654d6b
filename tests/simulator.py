"""A netlist that runs by its ports: set inputs, settle, read; in many lanes at once.

The one rule: lanes never influence each other, and nothing here evaluates gates: it is the same
machine that runs tables.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np
import pytest
from numpy.typing import ArrayLike, NDArray

from harness.errors import NetlistError
from harness.netlist import grading
from harness.netlist.assembly import assemble
from harness.netlist.grading import Grader, Steps
from harness.netlist.kernel import EVERYTHING, SETTLED, advance, prime, show
from harness.netlist.lanes import HEALTHY, Lane, pack, unpack, width
from harness.netlist.layout import DIRTY, READERS
from harness.netlist.model import HIGH, Netlist, Port, PortDirection


class Simulator:
    """Runs a netlist in up to 512 independent lanes, with 2 or 3 values.

    Flops start at ``state`` ``(flops, lanes)`` (0, or unknown with 3 values); inputs at 0, clocks
    too, so that what :meth:`drive` changes before the first :meth:`settle` can be an edge.
    Nothing drives bidirectional ports from outside at first.
    """

    def __init__(
        self,
        netlist: Netlist,
        lanes: int = 64,
        special: Sequence[Lane] = (),
        state: NDArray[np.integer] | None = None,
        values: int = 2,
    ) -> None:
        self.netlist = netlist
        self.lanes = lanes
        if state is None:
            state = np.full((netlist.flop_count, lanes), 0 if values == 2 else 2)
        chosen = [*special, *[HEALTHY] * (lanes - len(special))]
        self._made = assemble(netlist, [], chosen, state, values)
        for port in netlist.ports:
            if port.direction is not PortDirection.OUTPUT:
                self.release(port.name)
        prime(*self._made.machine)

    def drive(self, port: str, values: ArrayLike) -> None:
        """Drive an input or bidirectional port from outside: one number, or one a lane.

        Numbers have the port's bits, least significant first. Takes effect at :meth:`settle`.
        Raises NetlistError for an output port.
        """
        numbers = np.broadcast_to(np.asarray(values, dtype=np.uint64), (self.lanes,))
        for index, (level, enable) in enumerate(self._pins(port)):
            self._set(level, (numbers >> np.uint64(index)) & np.uint64(1))
            if enable != HIGH:
                self._set(enable, np.ones(self.lanes, dtype=np.uint64))

    def release(self, port: str) -> None:
        """Stop driving a port in all lanes: an input is 0, and so is what floats."""
        for level, enable in self._pins(port):
            self._set(level, np.zeros(self.lanes, dtype=np.uint64))
            if enable != HIGH:
                self._set(enable, np.zeros(self.lanes, dtype=np.uint64))

    def _set(self, net: int, levels: NDArray[np.uint64]) -> None:
        v, t, _ = self._made.machine
        for rail in range(self._made.compiled.values - 1):
            slot = self._made.compiled.own[rail, net]
            entry = pack((levels != rail)[None, :], width(v))[0]
            if (v[slot] != entry).any():
                v[slot] = entry
                t[DIRTY] |= t[t[READERS] + slot]

    def _pins(self, port: str) -> list[tuple[int, int]]:
        """Net of the level and of the enable (HIGH if always driven) for each bit of a port."""
        found = port_of(self.netlist, port)
        if found.direction is PortDirection.OUTPUT:
            raise NetlistError(f"{self.netlist.where}: {port} is an output and cannot be driven")
        tristates = (self.netlist.tristates.get(net) for net in found.nets)
        return [
            (tri.outside, tri.outside_enable) if tri else (net, HIGH)
            for net, tri in zip(found.nets, tristates, strict=True)
        ]

    def settle(self) -> None:
        """Let the inputs take effect, with every clock edge that follows, until all is stable.

        Raises NetlistError that names a net which never becomes stable.
        """
        machine = self._made.machine
        restless = advance(*machine)
        show(*machine, EVERYTHING)
        if restless != SETTLED:
            name = self._made.name(restless)
            raise NetlistError(f"{self.netlist.where}: net {name} never becomes stable")

    def read(self, port: str) -> NDArray[np.uint64]:
        """Levels of a port as numbers, one a lane (ports of up to 64 bits); unknown reads 0."""
        return self._number(self.net(net) for net in port_of(self.netlist, port).nets)

    def unknown(self, port: str) -> NDArray[np.uint64]:
        """Which bits of a port are unknown, as numbers, one a lane."""
        return self._number(self.vague(net) for net in port_of(self.netlist, port).nets)

    def floating(self, port: str) -> NDArray[np.uint64]:
        """Which bits of a port the design leaves floating, as numbers, one a lane."""
        nets = port_of(self.netlist, port).nets
        enables = [t.enable if (t := self.netlist.tristates.get(net)) else HIGH for net in nets]
        return self._number(1 - self.net(enable) for enable in enables)

    def net(self, net: int) -> NDArray[np.uint8]:
        """Levels of a net, 0 or 1 a lane; 0 where it is unknown."""
        return self._lanes(int(self._made.compiled.seen[0, net]))

    def vague(self, net: int) -> NDArray[np.uint8]:
        """In which lanes a net is unknown."""
        if self._made.compiled.values == 2:
            return np.zeros(self.lanes, dtype=np.uint8)
        one, zero = (self._lanes(int(slot)) for slot in self._made.compiled.seen[:, net])
        return 1 - (one | zero)

    def _lanes(self, slot: int) -> NDArray[np.uint8]:
        lanes: NDArray[np.uint8] = unpack(self._made.machine.v[slot : slot + 1], self.lanes)[0]
        return lanes

    def _number(self, bits: Iterable[NDArray[np.uint8]]) -> NDArray[np.uint64]:
        total = np.zeros(self.lanes, dtype=np.uint64)
        for place, levels in enumerate(bits):
            total |= levels.astype(np.uint64) << np.uint64(place)
        return total


def port_of(netlist: Netlist, name: str) -> Port:
    """Give the port with this name."""
    return next(port for port in netlist.ports if port.name == name)


def clocked(netlist: Netlist, vectors: NDArray[np.uint8], clock: str) -> Steps:
    """Two steps a vector: levels with the clock low, compared; then the clock rises.

    ``vectors`` ``(cycles, bits)``: bits of all inputs but the clock, in the order of the ports.
    """
    ports = [p for p in netlist.ports if p.direction is PortDirection.INPUT and p.name != clock]
    nets = [net for port in ports for net in port.nets]
    levels = np.zeros((2 * len(vectors), len(nets) + 1), dtype=np.uint8)
    levels[:, :-1] = np.repeat(vectors, 2, axis=0)
    levels[1::2, -1] = 1
    outs = [n for p in netlist.ports if p.direction is not PortDirection.INPUT for n in p.nets]
    compared = np.repeat(np.arange(len(levels))[:, None] % 2 == 0, len(outs), axis=1)
    nets.append(port_of(netlist, clock).nets[0])
    return Steps(np.array(nets), levels, np.array(outs), compared)


def detections_of_all(grader: Grader) -> NDArray[np.int64]:
    """Give the step that first finds each fault; every machine runs to the end, none is dropped."""
    closed_up = grading._closed_up

    def kept(
        left: NDArray[np.int64], kept: NDArray[np.bool_], differing: NDArray[np.int64]
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        return closed_up(left, np.ones_like(kept), differing)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(grading, "_closed_up", kept)
        patch.setattr(grading, "_FIRST_SPAN", len(grader._steps.levels))
        return grader.detections().first
