"""Access to a rack's boards and its bench supply, real or virtual.

One rule: whether something is real or virtual is decided here, once, by the address at which it is
opened.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from enum import Enum

from harness.errors import PortUnavailable
from harness.rack.events import Observer, unobserved
from harness.rack.lock import Locks
from harness.rack.model import VIRTUAL_PORT, Rack, Slot
from harness.rack.session import Opener
from harness.rack.station import board_opener
from harness.supply import BenchSupply, open_supply
from harness.virtual import VirtualBoardSpec, VirtualRack


@dataclass(frozen=True, eq=False)
class Reach:
    """Access to a rack.

    ``open_slot`` opens a session with a slot's board; it raises LinkError. ``supply`` is the bench
    supply, untouched until its context begins, None if the rack has none. ``addresses`` has the
    ``port`` and ``switch`` of each virtual slot by name. ``remark`` is what a person must know
    about the virtual boards, if anything.
    """

    open_slot: Opener
    supply: BenchSupply | None
    addresses: Mapping[str, Mapping[str, str]]
    remark: str = ""


class SupplyUse(Enum):
    """How a job uses a rack's supply voltage; the value is a word for messages."""

    STEADY = "relied on"
    CHANGING = "changed"


@contextmanager
def reach(
    rack: Rack,
    locks: Locks,
    use: SupplyUse = SupplyUse.STEADY,
    observe: Observer = unobserved,
) -> Iterator[Reach]:
    """Start what is virtual in a rack, and give access to its boards and its supply.

    A real bench supply is locked here, shared by all jobs that need a steady voltage; a real board
    is locked when it is opened. ``observe`` hears how far long tables are. Raises PortUnavailable
    if another job uses the supply in a conflicting way, VirtualError if something virtual cannot be
    started.
    """
    _claim(rack, locks, use)
    specs = [_spec(rack, slot) for slot in rack.slots if slot.virtual]
    if not specs:
        yield Reach(board_opener(rack, {}, locks, observe), _supply(rack, "", locks), {})
        return
    supply = rack.supply
    nominal = supply.volts if supply is not None and supply.port == VIRTUAL_PORT else None
    with VirtualRack(specs, nominal) as boards:
        addresses = {
            name: {"port": port, "switch": boards.switches[name]}
            for name, port in boards.ports.items()
        }
        opener = board_opener(rack, boards.ports, locks, observe)
        yield Reach(opener, _supply(rack, boards.supply, locks), addresses, boards.remark)


@contextmanager
def reachable(rack: Rack, holder: str, use: SupplyUse = SupplyUse.STEADY) -> Iterator[Reach]:
    """Access a rack for a job other than a run; raises as :func:`reach`.

    ``holder`` is named to other processes that want the same board or voltage.
    """
    with Locks(holder) as locks, reach(rack, locks, use) as reached:
        yield reached


def _claim(rack: Rack, locks: Locks, use: SupplyUse) -> None:
    """Lock a real supply, so that its voltage changes only if no other job relies on it."""
    spec = rack.supply
    if spec is None or spec.port == VIRTUAL_PORT:
        return
    try:
        if use is SupplyUse.CHANGING:
            locks.take(spec.port)
        else:
            locks.share(spec.port)
    except PortUnavailable as error:
        message = f"the supply voltage of {rack.name} cannot be {use.value} now: {error}"
        raise PortUnavailable(message) from error


def _spec(rack: Rack, slot: Slot) -> VirtualBoardSpec:
    return VirtualBoardSpec(
        slot=slot.name,
        board_serial=slot.board,
        chip_serial=slot.chip,
        shuttle_path=rack.shuttle.path,
        profile_path=rack.profile.path,
        defects=slot.defects,
        board_faults=slot.board_faults,
        link_faults=slot.link_faults,
        supply_ma=slot.supply_ma,
    )


def _supply(rack: Rack, virtual_port: str, locks: Locks) -> BenchSupply | None:
    spec = rack.supply
    if spec is None:
        return None
    if spec.port == VIRTUAL_PORT:
        return open_supply(spec, virtual_port)
    return open_supply(spec, before=lambda: locks.take(spec.port))
