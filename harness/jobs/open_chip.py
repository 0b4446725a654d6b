"""Open one chip for work by hand: on a board at a port, in a slot of a rack, or a virtual one."""

from __future__ import annotations

import warnings
from collections.abc import Iterator
from contextlib import closing, contextmanager
from dataclasses import replace
from pathlib import Path

from harness.door import is_file
from harness.errors import ConfigError
from harness.hand import HandledChip
from harness.jobs.check import kind_of
from harness.jobs.stale import stale_netlists
from harness.jobs.tables import unknown
from harness.rack import (
    VIRTUAL_PORT,
    ModelledSession,
    Opener,
    Policy,
    Rack,
    Slot,
    Station,
    load_rack,
    reachable,
    single_slot,
)
from harness.shuttle import Design, Shuttle, load_shuttle

HOLDER = "a chip opened by hand"
NETLIST = "netlist"
"""The serial number of a virtual chip that no rack file describes."""


@contextmanager
def open_chip(
    where: Shuttle | Rack | str | Path,
    design: str = "",
    *,
    slot: str = "",
    port: str = VIRTUAL_PORT,
    profile: str | Path | None = None,
    chip: str = "",
    reset_cycles: int = 2,
) -> Iterator[HandledChip]:
    """Open a chip, to set pins, clock, wait, read and assert step by step.

    ``where`` is a shuttle, a rack, or the path of either's file. Of a rack, ``slot`` names the
    slot, which may be left out if there is one only. Of a shuttle, ``port`` is any port that
    pyserial opens, with the board's ``profile`` and the ``chip``'s serial number if it is known;
    without a port the chip is a virtual one, powered up anew for each selection. ``design`` is
    selected and clocked ``reset_cycles`` times in reset; it may be left to ``chip.select``. At the
    end the board is left as it was found. Selecting a design whose netlist is older than its
    Verilog gives a UserWarning.

    Raises ValueError for arguments that do not go together, ConfigError for files and names that
    cannot be used, LinkError if the board cannot be reached, ModelMissing or VirtualError if a
    virtual chip cannot run the design.
    """
    if slot and (port != VIRTUAL_PORT or profile is not None or chip):
        raise ValueError("a slot has its port, profile and chip from the rack file")
    rack = _rack(where, slot, port, profile, chip)
    (place,) = rack.slots
    with (
        _reached(rack) as (opener, whose),
        closing(Station(place, opener, Policy(must_be=place.board))) as station,
    ):
        station.introduce()
        handled = HandledChip(rack, place, station, whose, _warn_if_stale)
        if design:
            handled.select(design, reset_cycles)
        yield handled


def _warn_if_stale(design: Design) -> None:
    """Warn of a netlist that is older than its Verilog, at the line that selected the design."""
    for finding in stale_netlists([design]):
        warnings.warn(str(finding), stacklevel=3)


def _rack(
    where: Shuttle | Rack | str | Path, slot: str, port: str, profile: str | Path | None, chip: str
) -> Rack:
    """Make a rack of the one slot that is meant."""
    if not isinstance(where, Shuttle | Rack):
        path = Path(where)
        where = load_rack(path) if is_file(path) and kind_of(path) == "rack" else load_shuttle(path)
    if isinstance(where, Rack):
        return replace(where, slots=(slot_of(where, slot),))
    if slot:
        raise ValueError("only a rack has slots; give the rack file")
    if profile is not None:
        return single_slot(port, chip, "", where.path, Path(profile))
    if port != VIRTUAL_PORT:
        raise ValueError("a board at a port needs profile=, the file of its board profile")
    from harness.virtual import ideal_profile  # noqa: PLC0415 - loads the compiler

    netlist = Slot("A1", VIRTUAL_PORT, "", chip or NETLIST)
    return Rack("no board", where, ideal_profile(where), (netlist,))


def slot_of(rack: Rack, name: str) -> Slot:
    """Return the slot of this name, or the only one; raises ConfigError."""
    known = {slot.name: slot for slot in rack.slots}
    if not name and len(known) == 1:
        return rack.slots[0]
    if name not in known:
        message = f'no slot "{name}" in {rack.name}' if name else f"{rack.name} has several slots"
        raise ConfigError([unknown("slot", name, known, rack.file, message)])
    return known[name]


@contextmanager
def _reached(rack: Rack) -> Iterator[tuple[Opener, str]]:
    """Reach the board, or make a virtual chip without one; yields whose answers they are, too."""
    (slot,) = rack.slots
    if rack.profile.path == rack.shuttle.path:
        from harness.virtual import IdealBoard  # noqa: PLC0415 - loads the compiler

        yield lambda _: ModelledSession(IdealBoard(rack.shuttle, slot.chip)), "its netlist"
        return
    with reachable(rack, HOLDER) as reached:
        yield reached.open_slot, f"{'virtual ' if slot.virtual else ''}chip {slot.chip}"
