"""Which design answers when a wire or a bit of the selection is not as it should be.

The one rule: the method's own vectors are followed through the lane's wires, edge by edge; an
address that nothing sets is not known.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from harness.board import ParallelSelect, PulseSelect, SelectMethod, ShiftSelect
from harness.netlist import Kind, Lane
from harness.shuttle import Direction, Shuttle

Answering = Mapping[str, str]
"""For each design selected, the name of the one that answers; empty if none does."""


def always(shuttle: Shuttle, name: str) -> Answering:
    """Let one design answer, whichever is selected."""
    return dict.fromkeys((design.name for design in shuttle.designs), name)


def shifted(shuttle: Shuttle, by: int) -> Answering:
    """Let the design answer that is ``by`` addresses away."""
    return _answering(shuttle, {design.address: design.address + by for design in shuttle.designs})


def stuck_bits(select: SelectMethod, shuttle: Shuttle) -> Iterator[tuple[str, Answering]]:
    """Hold each bit of the chip's address register low, then high."""
    if not isinstance(select, ShiftSelect):
        return  # a parallel address has wires only, and a counter does not count without a bit
    addresses = [design.address for design in shuttle.designs]
    for bit in range(select.bits):
        mask = 1 << bit
        yield f"bit {bit} low", _answering(shuttle, {a: a & ~mask for a in addresses})
        yield f"bit {bit} high", _answering(shuttle, {a: a | mask for a in addresses})


def answering(select: SelectMethod, shuttle: Shuttle, lane: Lane) -> Answering | None:
    """Follow every selection through a lane; None if nothing sets the address."""
    found: dict[int, int] = {}
    for design in shuttle.designs:
        address = _address(select, shuttle, _levels(select, design.address, shuttle, lane))
        if address is None:
            return None
        found[design.address] = address
    return _answering(shuttle, found)


def _answering(shuttle: Shuttle, addresses: Mapping[int, int]) -> Answering:
    names = {design.address: design.name for design in shuttle.designs}
    return {design.name: names.get(addresses[design.address], "") for design in shuttle.designs}


def _levels(select: SelectMethod, address: int, shuttle: Shuttle, lane: Lane) -> list[int]:
    """Give the levels at the chip's pins, one word after the other."""
    rest, _ = shuttle.rest_levels
    others = (rest ^ shuttle.mask(Direction.RESET)) & ~shuttle.mask(Direction.SELECT)
    words = [others]
    for step in select.steps(address, shuttle):
        level = step.drive | others
        words += [level, level ^ step.pulse, level]
    return [_through(word, shuttle, lane) for word in words]


def _through(word: int, shuttle: Shuttle, lane: Lane) -> int:
    """Give the levels at the chip's pins for those that the controller drives; open is low."""
    for short in lane.shorts:
        both, either = (1 << short.a | 1 << short.b), word >> short.a | word >> short.b
        level = word >> short.a & word >> short.b if short.kind is Kind.AND else either
        word = word | both if level & 1 else word & ~both
    for line, level in lane.lines:
        word = word & ~(1 << line) | level << line
    moved = dict(lane.wires)
    lines = ((pin.bit, moved.get(pin.bit, pin.bit)) for pin in shuttle.pins)
    return sum((word >> line & 1) << bit for bit, line in lines if line is not None)


def _address(select: SelectMethod, shuttle: Shuttle, words: Sequence[int]) -> int | None:
    """Give the address that the chip holds after these levels; None if nothing sets it."""

    def levels(name: str) -> list[int]:
        bit = shuttle.pins_by_name[name].bit
        return [word >> bit & 1 for word in words]

    match select:
        case ParallelSelect(pins):
            return sum(levels(name)[-1] << k for k, name in enumerate(reversed(pins)))
        case ShiftSelect(data, clock, bits):
            # bits of earlier selections, of the same kind, are left where too few edges come
            return _shifted_in(levels(data) * bits, levels(clock) * bits, (1 << bits) - 1)
        case PulseSelect(step, clear):
            return _counted(levels(step), levels(clear))
        case _:
            return None


def _rises(levels: Sequence[int]) -> Iterator[int]:
    """Give the places at which a level has risen."""
    return (k for k in range(1, len(levels)) if levels[k] > levels[k - 1])


def _shifted_in(data: Sequence[int], clock: Sequence[int], most: int) -> int | None:
    edges = list(_rises(clock))
    address = 0
    for edge in edges:
        address = (address << 1 | data[edge]) & most
    return address if edges else None


def _counted(step: Sequence[int], clear: Sequence[int]) -> int | None:
    if 1 not in clear:
        return None
    last = max(k for k, level in enumerate(clear) if level)
    return sum(1 for edge in _rises(step) if edge > last)
