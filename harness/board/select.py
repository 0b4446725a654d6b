"""How a design is selected, as vectors: the three ways that profiles know.

Pure. Reset is held while the address changes, so that no design sees half an address.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.board.profile_model import ParallelSelect, PulseSelect, SelectMethod, ShiftSelect
from harness.shuttle import Direction, Shuttle


@dataclass(frozen=True)
class Step:
    """One vector of a selection: levels of the select pins, and the pins that pulse."""

    drive: int
    pulse: int


def selection(method: SelectMethod, address: int, shuttle: Shuttle) -> tuple[Step, ...]:
    """The vectors that select ``address``; the last one's levels are held from then on."""
    masks = {pin.name: pin.mask for pin in shuttle.pins}
    match method:
        case ParallelSelect(pins):
            level = sum(
                masks[name] for place, name in enumerate(reversed(pins)) if address >> place & 1
            )
            return (Step(level, 0),)
        case ShiftSelect(data, clock, bits):
            steps = [
                Step(masks[data] if address >> place & 1 else 0, masks[clock])
                for place in reversed(range(bits))
            ]
            return (*steps, Step(0, 0))
        case PulseSelect(step, clear):
            return (Step(0, masks[clear]), *[Step(0, masks[step])] * address, Step(0, 0))


def rest_levels(shuttle: Shuttle) -> tuple[int, int]:
    """(drive, enable) of pins that a table does not mention: inputs low, reset at rest."""
    enable = shuttle.mask(Direction.INPUT, Direction.CLOCK, Direction.RESET, Direction.SELECT)
    drive = shuttle.mask(Direction.RESET) if shuttle.reset_active_low else 0
    return drive, enable
