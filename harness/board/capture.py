"""The results of one run of one pattern on a board. Values only, no judgement."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.link import Traffic


@dataclass(frozen=True)
class BoardIdentity:
    """The identity that a board reports at the start of a session."""

    board_serial: str
    agent_version: str
    interpreter: str
    backend: str
    exact: bool


@dataclass(frozen=True)
class RunConditions:
    """How to run a pattern; ``reset_cycles`` 0 means no reset.

    Outputs are read ``sample_ns`` after the last edge of a cycle, or, with 0, as late as the
    cycle allows. A board that cannot time edges always reads late. With ``gap_free`` all rows run
    as one burst, without a pause of the clock, or not at all.
    """

    clock_hz: float
    settle_us: float = 0.0
    reset_cycles: int = 2
    sample_ns: int = 0
    gap_free: bool = False


@dataclass(frozen=True)
class Mismatch:
    """A vector with unexpected outputs.

    ``row`` counts the pattern's rows from 0, ``pass_`` the repetitions of that row from 0,
    ``cycle`` all cycles from 0. ``seen`` is the word read; ``floating`` marks pins that a
    high-impedance test found floating. ``wrong`` marks the pins that differ.
    """

    cycle: int
    row: int
    pass_: int
    seen: int
    floating: int
    wrong: int


@dataclass(frozen=True)
class CaptureWindow:
    """Words read in a range of cycles, one entry per cycle."""

    row: NDArray[np.uint32]
    cycle: NDArray[np.uint32]
    seen: NDArray[np.uint32]
    floating: NDArray[np.uint32]


@dataclass(frozen=True)
class Capture:
    """The results of one run of a pattern.

    ``mismatches`` holds the first ones (the board keeps a bounded number), ``mismatch_count``
    counts all. ``pin_counts`` maps bit position to mismatches on that pin. ``signature`` is the
    CRC-32 over every tested bit, by which two runs of one stimulus can be compared.
    ``until_used`` maps rows with ``until`` to the cycles they took. ``achieved_hz`` is the rate
    that the board measured, or the rate set where hardware keeps it; ``exact`` is True only where
    hardware times every cycle. ``gaps`` counts the pauses between bursts of such a board, during
    which its clock stops.
    """

    cycles: int
    mismatch_count: int
    mismatches: tuple[Mismatch, ...]
    pin_counts: Mapping[int, int]
    signature: int
    until_used: Mapping[int, int]
    window: CaptureWindow | None
    achieved_hz: float
    exact: bool
    seconds: float
    wire: Traffic = field(default_factory=Traffic)
    gaps: int = 0
