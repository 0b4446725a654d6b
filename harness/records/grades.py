"""What the tables of a design would notice on its gates: the grade, as frozen values.

One rule: a figure never stands alone: it carries what was counted, on which cells, from which
netlist and which rows.
"""

from __future__ import annotations

from dataclasses import dataclass

from harness.records.outcome import WaiverRecord

STUCK_AT = "stuck-at"
"""The fault model, as it is named beside every figure."""


@dataclass(frozen=True)
class FaultCount:
    """Single stuck-at faults by what became of them.

    ``possible`` of those that are not detected give an unknown level where the table tests a known
    one: they count as undetected. ``untestable`` were proven to be so, ``waived`` are undetected
    and accepted by a person.
    """

    faults: int
    detected: int
    possible: int = 0
    untestable: int = 0
    waived: int = 0

    @property
    def undetected(self) -> int:
        """All that are not detected, whatever else is known of them."""
        return self.faults - self.detected

    @property
    def fault_coverage(self) -> float:
        """Detected faults of all, 0 to 1; 1 where there are none."""
        return self.detected / self.faults if self.faults else 1.0

    @property
    def test_coverage(self) -> float:
        """Detected faults of those that are neither proven untestable nor waived, 0 to 1."""
        left = self.faults - self.untestable - self.waived
        return self.detected / left if left else 1.0


@dataclass(frozen=True)
class CurvePoint:
    """After so many ``vectors`` of a table (rows), so many faults are ``detected``."""

    vectors: int
    detected: int


@dataclass(frozen=True)
class TableGrade:
    """What one table detects alone. ``key`` is the digest of its rows as they are driven.

    ``why`` says why the table was not graded; then ``count`` is None. ``judged`` says that it has
    match loops: each faulty chip ends them by its own answers, so it is judged as a board would,
    from three power-up states, and a fault is detected if the table fails from all of them.
    """

    name: str
    key: str
    vectors: int
    count: FaultCount | None = None
    curve: tuple[CurvePoint, ...] = ()
    why: str = ""
    judged: bool = False


@dataclass(frozen=True)
class Bound:
    """A register or port at the edge of the logic around a gate, and where it is declared.

    ``place`` is ``crc16.v:13``, or empty if the netlist does not say.
    """

    name: str
    place: str = ""

    def __str__(self) -> str:
        return f"{self.name} ({self.place})" if self.place else self.name


@dataclass(frozen=True)
class MissedFault:
    """A fault that no table detects, for all ``alike`` that no output can tell from it.

    ``name`` is what waivers call it (``zero stuck at 0``, ``$37 at NAND $41 stuck at 1``).
    ``module`` is the path of the instance it is in, empty for the top. ``sources`` and ``sinks``
    are the registers and ports between which it is. ``reached`` says that some row gives the net
    the other level, so that what lacks is a look at it. ``untestable``: proven with the state left
    free. ``waived_as`` is the fault of the class that the waiver names.
    """

    name: str
    net: str
    level: int
    module: str
    sources: tuple[Bound, ...]
    sinks: tuple[Bound, ...]
    alike: int
    reached: bool
    possible: bool = False
    untestable: bool = False
    waiver: WaiverRecord | None = None
    waived_as: str = ""


@dataclass(frozen=True)
class Toggled:
    """Nets of the cells: how many there are, and how many are 0 after some cycle and 1 after one.

    ``still`` names those that are not, as far as the source names them.
    """

    nets: int
    toggled: int
    still: tuple[str, ...] = ()

    @property
    def coverage(self) -> float:
        """Nets that toggle of all, 0 to 1."""
        return self.toggled / self.nets if self.nets else 1.0


@dataclass(frozen=True)
class DesignGrade:
    """What all tables of a design detect together, and each alone.

    ``rules`` is the version of what counts as what; ``netlist`` the digest of the gates and of the
    pins they are at. ``cells`` names the kinds of cells: other cells for the same function give
    another figure. ``count`` has all faults, ``collapsed`` one for those that no output can tell
    apart by the gate they are at. ``proof`` is empty if every undetected fault was tried for a
    proof that it is untestable; else it says why not, or how many were given up. ``prepared`` says
    what was done to the gates before; it is empty if they are those that virtual chips run.
    """

    rules: str
    design: str
    netlist: str
    cells: tuple[str, ...]
    count: FaultCount
    collapsed: FaultCount
    tables: tuple[TableGrade, ...]
    toggle: Toggled
    missed: tuple[MissedFault, ...]
    proof: str = ""
    prepared: str = ""
