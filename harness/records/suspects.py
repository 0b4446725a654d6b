"""Where inside a design a chip may be defective, as frozen values.

One rule: a suspect says what it explains and what it does not; it is never a verdict.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from harness.records.grades import Bound


class SuspectKind(StrEnum):
    """What may be wrong inside a design."""

    STUCK_AT = "stuck-at"
    SLOW_PATH = "slow-path"
    BRIDGE = "bridge"


@dataclass(frozen=True)
class Suspect:
    """One explanation of what a design answered, for all that the tables cannot tell from it.

    ``name`` is the fault an author would look for (``zero stuck at 0``), ``others`` the first of
    the rest, and ``alike`` the number of faults in all whose answers to the tables that ran are
    equal. ``nets`` are the nets it is at, ``sources`` and ``sinks`` the registers and ports between
    which they are. ``exact`` counts the failing tables whose whole answer it predicts.
    ``explained``, ``missed`` and ``contradicted`` count wrong bits of the failing tables: seen and
    predicted, seen only, predicted only. ``broken`` names tables that passed although it predicts
    that they fail. ``odds`` is its probability in relation to the best suspect's (1.0).
    """

    kind: SuspectKind
    name: str
    others: tuple[str, ...]
    alike: int
    nets: tuple[str, ...]
    sources: tuple[Bound, ...]
    sinks: tuple[Bound, ...]
    exact: int
    explained: int
    missed: int
    contradicted: int
    broken: tuple[str, ...]
    odds: float


@dataclass(frozen=True)
class Separation:
    """Vectors that two faults answer differently: ``first`` and ``second`` are their names.

    ``table`` is a table of the design that did not run, and ``line`` the first line of its file at
    which the answers differ. Without a table ``vectors`` do it: a reset and random levels, one text
    a cycle (``in0=1 clk=C``), up to the one after which ``pins`` differ.
    """

    first: str
    second: str
    table: str
    line: int
    vectors: tuple[str, ...]
    pins: tuple[str, ...]


@dataclass(frozen=True)
class Diagnosis:
    """The suspects inside one design of one chip, best first.

    ``failing`` and ``passing`` are the tables whose answers were compared, ``bits`` the wrong bits
    of the failing ones that were kept. ``faults`` counts the stuck-at faults that were tried,
    ``slow`` the nets tried as slow, ``bridges`` the pairs of nets, each as a wired AND and as a
    wired OR. ``left_out`` says what was not tried.
    """

    slot: str
    chip: str
    design: str
    failing: tuple[str, ...]
    passing: tuple[str, ...]
    bits: int
    faults: int
    slow: int
    suspects: tuple[Suspect, ...]
    separations: tuple[Separation, ...] = ()
    left_out: tuple[str, ...] = ()
    bridges: int = 0
