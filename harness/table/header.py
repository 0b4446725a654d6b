"""The header of a table: which column is which signal.

One rule: a column is a signal of the design, one bit of it (``q[2]``), a chip pin that the design
uses, or a reserved column; no pin may be in two columns.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial

from harness.errors import Finding, Findings, Location
from harness.shuttle import RESERVED, Bus, Design, Shuttle, nearest
from harness.table.symbols import Column

Place = Callable[[int], Location]
"""Column number (from 0) → place of its heading."""


@dataclass(frozen=True)
class Heading:
    """Columns of a table by number: signals, and reserved columns by name."""

    signals: Mapping[int, Column]
    reserved: Mapping[str, int]
    width: int

    @property
    def used(self) -> list[int]:
        """Numbers of all recognised columns, ascending."""
        return sorted([*self.signals, *self.reserved.values()])


def read_heading(
    names: Sequence[str], design: Design, shuttle: Shuttle, findings: Findings, place: Place
) -> Heading:
    """Read the header row; columns that cannot be used become findings and are left out."""
    known = signal_columns(design, shuttle)
    signals: dict[int, Column] = {}
    reserved: dict[str, int] = {}
    seen: set[str] = set()
    owner: dict[str, str] = {}
    for number, raw in enumerate(names):
        name = raw.strip()
        if name in seen:
            findings.add_lazy(partial(_doubled, name, place, number))
        elif name in RESERVED:
            reserved[name] = number
        elif name in known:
            if _claim(known[name].bus, owner, findings, partial(place, number)):
                signals[number] = known[name]
        else:
            findings.add_lazy(partial(_unknown, name, names, design, partial(place, number)))
        seen.add(name)
    return Heading(signals, reserved, len(names))


def signal_columns(design: Design, shuttle: Shuttle) -> dict[str, Column]:
    """Return all names that a header may use, with their columns; a signal's own name wins."""
    default, _ = shuttle.rest_levels
    known: dict[str, Column] = {}
    for signal in design.signals:
        for index, pin in enumerate(reversed(signal.pins)):
            one = partial(Bus, pins=(pin,), direction=signal.direction)
            known.setdefault(pin.name, Column(one(pin.name), default, signal.name))
            name = f"{signal.name}[{index}]"
            known[name] = Column(one(name), default, signal.name)
    return known | {signal.name: Column(signal, default, signal.name) for signal in design.signals}


def _claim(
    bus: Bus, owner: dict[str, str], findings: Findings, place: Callable[[], Location]
) -> bool:
    for pin in bus.pins:
        if pin.name in owner:
            findings.error(
                "pin-in-two-columns",
                place(),
                f'pin "{pin.name}" of "{bus.name}" is already in column "{owner[pin.name]}"',
                "keep one of the two columns",
            )
            return False
    owner.update(dict.fromkeys((pin.name for pin in bus.pins), bus.name))
    return True


def _doubled(name: str, place: Place, number: int) -> Finding:
    message = f'column "{name[:60]}" appears twice'
    return Finding("doubled-column", place(number), message, "remove one of them")


def _unknown(
    name: str, names: Sequence[str], design: Design, place: Callable[[], Location]
) -> Finding:
    if len(names) == 1 and (";" in name or "\t" in name):
        mark = ";" if ";" in name else "tabs"
        message = f"the columns are separated by {mark}"
        advice = "use commas in .csv files and tabs in .tsv files"
        return Finding("wrong-separator", place(), message, advice)
    if not name:
        advice = "name it, or remove the extra separator"
        return Finding("unknown-column", place(), "this column has no name", advice)
    message = f'design "{design.name}" has no signal "{name[:60]}"'
    advice = nearest(name[:60], [*design.signals_by_name, *RESERVED])
    return Finding("unknown-column", place(), message, advice)
