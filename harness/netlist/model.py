"""What a netlist is once it can be evaluated: gates in order, flops in groups, names of nets.

The one rule: nothing here changes after it is made. Nets are numbered; net 0 is always low and
net 1 always high. Everything else that a netlist can hold (multiplexers, gates with many inputs,
tri-state buffers) has been lowered to two-input gates before it comes here.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from harness.errors import NetlistError

Indices = NDArray[np.uint32]

LOW = 0
"""The net that is always 0."""
HIGH = 1
"""The net that is always 1."""


class Kind(IntEnum):
    """A two-input gate. Bit 0 inverts the output, bit 1 both inputs, bit 2 makes it an XOR.

    A buffer is an AND and an inverter a NAND, with both inputs on one net.
    """

    AND = 0
    NAND = 1
    NOR = 2
    OR = 3
    XOR = 4
    XNOR = 5


class PortDirection(StrEnum):
    """What a port is for, seen from the design."""

    INPUT = "input"
    OUTPUT = "output"
    INOUT = "inout"


@dataclass(frozen=True)
class Port:
    """A port of the top module; ``nets`` has its bits, least significant first."""

    name: str
    direction: PortDirection
    nets: tuple[int, ...]


class TriState(NamedTuple):
    """How a net that can float is driven: by the design through ``enable``, or from outside.

    ``enable`` is a net: the design drives ``level`` while it is 1. ``outside`` and
    ``outside_enable`` are nets that nothing in the design drives: level and enable of what is
    connected to the pin. From outside wins; if nothing drives, the net is 0.
    """

    level: int
    enable: int
    outside: int
    outside_enable: int


class Flop(NamedTuple):
    """A flop, or a latch (``latch`` 1): all fields but the flags are nets.

    ``clock`` counts inverted if ``clock_low`` is 1: then the falling edge (the low level of a
    latch) lets ``data`` through. ``set_``/``clear`` act at once, when high or, with the flag, low;
    clear wins. LOW with flag 0 means absent.
    """

    q: int
    data: int
    clock: int
    clock_low: int = 0
    latch: int = 0
    set_: int = LOW
    set_low: int = 0
    clear: int = LOW
    clear_low: int = 0

    @property
    def group(self) -> tuple[int, ...]:
        """What flops share that are clocked, set and cleared together."""
        return self[2:]


class Tables(NamedTuple):
    """The netlist as it is compiled.

    gates
        ``(gates, 4)``: kind, input a, input b, output; a gate comes after those it reads
    groups
        ``(groups, 9)``: first and one past the last flop, then the fields of ``Flop.group``
    q, data
        ``(flops,)``: nets, in the order of the groups
    reader
        ``(nets,)``: the first gate that reads the net; the number of gates if none does
    """

    gates: Indices
    groups: Indices
    q: Indices
    data: Indices
    reader: Indices


@dataclass(frozen=True, eq=False)
class Netlist:
    """A flat gate-level netlist, ready to be evaluated.

    ``names`` has one name a net (``q[2]``); ``nets_by_name`` knows every name that the file
    gives, and ``sources`` where the source declares a name (``crc16.v:12``), as far as the file
    says so. ``levels`` is the length of the longest chain of gates. ``where`` names the file and
    the module, for messages.
    """

    name: str
    where: str
    ports: tuple[Port, ...]
    names: tuple[str, ...]
    nets_by_name: Mapping[str, int]
    tables: Tables
    tristates: Mapping[int, TriState]
    levels: int
    sources: Mapping[str, str] = field(default_factory=dict)

    @property
    def net_count(self) -> int:
        """How many nets, the two constant ones included."""
        return len(self.names)

    @property
    def gate_count(self) -> int:
        """How many two-input gates."""
        return len(self.tables.gates)

    @property
    def flop_count(self) -> int:
        """How many flops and latches."""
        return len(self.tables.q)

    @cached_property
    def gate_by_output(self) -> dict[int, int]:
        """Which gate drives a net; nets that no gate drives are absent."""
        return {int(net): index for index, net in enumerate(self.tables.gates[:, 3])}

    def net(self, name: str) -> int:
        """Find a net by any of its names; raises NetlistError that offers the nearest."""
        if name not in self.nets_by_name:
            message = f"{self.where}: no net is named {name!r}{nearest(name, self.nets_by_name)}"
            raise NetlistError(message)
        return self.nets_by_name[name]


def nearest(name: str, known: Iterable[str]) -> str:
    """Give ``; the nearest are a, b`` for a message, or what there is if nothing is near."""
    names = sorted(name for name in known if not name.startswith("$"))
    close = difflib.get_close_matches(name, names, n=3, cutoff=0.5)
    if close:
        return f"; the nearest are {', '.join(close)}"
    shown = ", ".join(names[:8]) + (", …" if len(names) > 8 else "")
    return f"; there are {shown}" if names else ""
