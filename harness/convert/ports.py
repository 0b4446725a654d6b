"""Pins for the ports of a Verilog top module, and what to do where they do not fit.

One rule: this is a proposal. Every port is in it, with pins or with the reason why it has none.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from harness.netlist import PortDirection, Source, SourcePort
from harness.shuttle import RESERVED, Direction, Shuttle, is_name

_CLOCK = re.compile(r"(?i)(?:.*_)?s?(?:clk|clock|ck)(?:_?in?)?\d*")
_RESET = re.compile(r"(?i)(?:.*_)?[nas]?_?(?:rst|reset)(?:_?[nbil]{1,2})?")
_LOW = re.compile(r"(?i)(?:.*_)?n_?(?:rst|reset).*|.*(?:rst|reset)_?[nb]i?")


@dataclass(frozen=True)
class PlacedPort:
    """A port with its chip pins, most significant first; none if it has no room.

    ``name`` is what the signal can be called here: the port's own name unless that is not allowed.
    ``one_way`` is true where bidirectional chip pins are used in one direction only.
    """

    port: SourcePort
    name: str
    pins: tuple[str, ...]
    one_way: bool = False

    @property
    def ranges(self) -> tuple[str, ...]:
        """The pins as the fewest ranges: ``in3..in0``."""
        return tuple(_ranges(self.pins))

    @property
    def fits(self) -> bool:
        """Whether the port can be connected as it is."""
        return bool(self.pins) and self.name == self.port.name


@dataclass(frozen=True)
class Proposal:
    """Every port of a top module with its pins, in the order of the source.

    ``clock`` and ``reset`` are the names of ports, empty if there is none; ``active`` is the level
    at which the design resets, ``on_reset_pin`` whether the chip's own reset pin can do it.
    """

    source: Source
    ports: tuple[PlacedPort, ...]
    clock: str
    reset: str
    active: int
    on_reset_pin: bool

    @property
    def fits(self) -> bool:
        """Whether the top module can be connected without a wrapper."""
        return all(placed.fits for placed in self.ports)

    @property
    def wrapper_name(self) -> str:
        """The name of the wrapper's module."""
        return f"{self.source.top}_pins"

    @property
    def role(self) -> dict[str, str]:
        """What the source does with a port, in a few words, by its name."""
        words = {self.clock: "clock"} if self.clock else {}
        if self.reset:
            other = "" if self.on_reset_pin else "; the chip's reset pin has the other level"
            words[self.reset] = f"reset, active at {self.active}{other}"
        return words


def propose(source: Source, shuttle: Shuttle) -> Proposal:
    """Propose chip pins for every port of a top module.

    Narrow ports come first; one that has no room gets no pin at all.
    """
    clock, reset = _clock(source.ports), _reset(source.ports)
    active = _active(reset)
    chip = {pin.direction: pin.name for pin in shuttle.pins}
    own = Direction.RESET in chip and active != shuttle.reset_active_low
    pools = _Pools(shuttle)
    taken: dict[str, tuple[str, ...]] = {}
    if clock and Direction.CLOCK in chip:
        taken[clock.name] = (chip[Direction.CLOCK],)
    if reset and own:
        taken[reset.name] = (chip[Direction.RESET],)
    by_need = sorted(source.ports, key=lambda port: (port not in {clock, reset}, port.width))
    waiting = [port for port in by_need if port.name not in taken]
    chosen = {port.name for port in waiting if pools.reserve(port)}
    places = sorted(source.ports, key=lambda port: port.direction is not PortDirection.INOUT)
    taken |= {port.name: pools.take(port) for port in places if port.name in chosen}
    names = _names(source.ports)
    return Proposal(
        source,
        tuple(
            PlacedPort(port, names[port.name], pins, pools.shared(port, pins))
            for port in source.ports
            for pins in (taken.get(port.name, ()),)
        ),
        clock.name if clock else "",
        reset.name if reset else "",
        active,
        own,
    )


def _clock(ports: Sequence[SourcePort]) -> SourcePort | None:
    single = [p for p in ports if p.width == 1 and p.direction is PortDirection.INPUT]
    used = [port for port in single if port.flops]
    named = [port for port in single if _CLOCK.fullmatch(port.name)]
    return max(
        used or named[:1],
        key=lambda port: (port in named, port.flops),
        default=None,
    )


def _reset(ports: Sequence[SourcePort]) -> SourcePort | None:
    single = [p for p in ports if p.width == 1 and p.direction is PortDirection.INPUT]
    named = [port for port in single if _RESET.fullmatch(port.name)]
    return next((port for port in named if port.resets is not None), next(iter(named), None))


def _active(reset: SourcePort | None) -> int:
    """The level that resets: as the source uses it, else as its name says."""
    if reset is None:
        return 0
    if reset.resets is not None:
        return reset.resets
    return 0 if _LOW.fullmatch(reset.name) else 1


class _Pools:
    """The chip's pins that are free: inputs and outputs, with the bidirectional ones for either."""

    def __init__(self, shuttle: Shuttle) -> None:
        self.free = {
            role: [pin.name for pin in shuttle.pins if pin.direction.value == chip]
            for role, chip in (
                (PortDirection.INPUT, "input"),
                (PortDirection.OUTPUT, "output"),
                (PortDirection.INOUT, "bidirectional"),
            )
        }
        self.both = frozenset(self.free[PortDirection.INOUT])
        self.room = {role: len(pins) for role, pins in self.free.items()}

    def reserve(self, port: SourcePort) -> bool:
        """Keep room for a port; False if there is not enough."""
        own = min(port.width, self.room[port.direction])
        more = port.width - own
        if more and (
            port.direction is PortDirection.INOUT or more > self.room[PortDirection.INOUT]
        ):
            return False
        self.room[port.direction] -= own
        self.room[PortDirection.INOUT] -= more
        return True

    def take(self, port: SourcePort) -> tuple[str, ...]:
        """Take the next pins for a port that has room, most significant first."""
        pins: list[str] = []
        for pool in (self.free[port.direction], self.free[PortDirection.INOUT]):
            while pool and len(pins) < port.width:
                pins.append(pool.pop(0))
        return tuple(reversed(pins))

    def shared(self, port: SourcePort, pins: Iterable[str]) -> bool:
        return port.direction is not PortDirection.INOUT and not self.both.isdisjoint(pins)


def _names(ports: Sequence[SourcePort]) -> dict[str, str]:
    """Names of signals for ports: their own, or the nearest that is allowed."""
    names = {port.name: port.name for port in ports if _allowed(port.name)}
    for port in ports:
        if port.name not in names:
            plain = re.sub(r"[^A-Za-z0-9]+", "_", port.name).strip("_") or "port"
            name = plain if _allowed(plain) else f"p_{plain}"
            while name in names.values():
                name += "_"
            names[port.name] = name
    return names


def _allowed(name: str) -> bool:
    return is_name(name) and name not in RESERVED and name not in KEYWORDS


_RESERVED_WORDS = """
always and assign begin buf case casex casez deassign default defparam disable edge else end endcase
endfunction endgenerate endmodule endtask event for force forever fork function generate genvar if
initial inout input integer join localparam module nand negedge nor not or output parameter posedge
pulldown pullup real reg release repeat signed specify supply0 supply1 task time tri tri0 tri1
triand trior trireg unsigned wait wand while wire wor xnor xor
bit byte do enum expect final int interface logic priority program return static struct type typedef
union unique var void
"""
KEYWORDS = frozenset(_RESERVED_WORDS.split())
"""Words that Verilog and SystemVerilog keep for themselves, as far as ports are called so."""


def _ranges(pins: Sequence[str]) -> Iterator[str]:
    runs: list[list[str]] = []
    for pin in pins:
        if runs and _next_below(runs[-1][-1], pin):
            runs[-1].append(pin)
        else:
            runs.append([pin])
    for run in runs:
        yield run[0] if len(run) == 1 else f"{run[0]}..{run[-1]}"


def _next_below(above: str, below: str) -> bool:
    first, second = (re.fullmatch(r"(.*?)(\d+)", name) for name in (above, below))
    if first is None or second is None or first[1] != second[1]:
        return False
    return int(first[2]) - 1 == int(second[2]) and str(int(second[2])) == second[2]
