"""What a rehearsal says, as findings at the table's file.

One rule: an error is for the author to mend before silicon; a warning may be as it should be.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from harness.errors import Finding, Location, Severity
from harness.records import EvidenceCycle, Rehearsal, more_rows

_LEVELS = {"0": "0", "1": "1", "Z": "floating", "L": "0", "H": "1"}


def remarks(rehearsal: Rehearsal, path: Path) -> list[Finding]:
    """Return what a person should know about a rehearsal of the table at ``path``."""
    found = [*_failure(rehearsal, path), *_contention(rehearsal, path)]
    if rehearsal.unknown:
        first, pins = rehearsal.unknown[0], ", ".join(rehearsal.unknown[0].pins)
        message = f"what is tested here depends on the power-up state: {pins}"
        found.append(
            Finding(
                "power-up",
                Location(path, first.line),
                message + more_rows(rehearsal.unknown_rows),
                "reset or load the design before testing it",
                Severity.WARNING,
            )
        )
    if rehearsal.still:
        found.append(
            Finding(
                "still-input",
                Location(path),
                f"no row moves {', '.join(rehearsal.still)}",
                "add rows that do, or leave it if another table does",
                Severity.WARNING,
            )
        )
    return found


def _failure(rehearsal: Rehearsal, path: Path) -> Iterator[Finding]:
    first = rehearsal.first
    if first is None:
        return
    states = rehearsal.states
    often = f"{rehearsal.mismatches} wrong {'cycle' if rehearsal.mismatches == 1 else 'cycles'}"
    if rehearsal.failing_states < states:
        often += f", but only from {rehearsal.failing_states} of {states} power-up states"
    yield Finding(
        "rehearsal-fails",
        Location(path, first.line),
        f"on the design's netlist {_wrong(first)}, in cycle {first.cycle}; {often}",
        "correct the table, or the design if the table is right" + _slips(rehearsal),
    )


def _slips(rehearsal: Rehearsal) -> str:
    """``; it passes if a[3:0] and b[3:0] are exchanged, or if …``."""
    return f"; it passes {', or '.join(rehearsal.slips)}" if rehearsal.slips else ""


def _wrong(first: EvidenceCycle) -> str:
    """``q[2] (pin out1) is 0 instead of 1, q[3] (pin out2) …``."""
    return ", ".join(
        f"{_name(pin.signal, pin.pin)} is {_LEVELS[pin.observed]} instead of "
        f"{_LEVELS[pin.expected]}"
        for pin in first.wrong
    )


def _name(signal: str, pin: str) -> str:
    return f"{signal} (pin {pin})" if signal else f"pin {pin}"


def _contention(rehearsal: Rehearsal, path: Path) -> Iterator[Finding]:
    if not rehearsal.contention:
        return
    first = rehearsal.contention[0]
    severity, advice = (
        (Severity.WARNING, "nothing, if two drivers may fight: design.toml says so")
        if rehearsal.intended
        else (
            Severity.ERROR,
            'release the pin in these rows, or write contention = "intended" in design.toml',
        )
    )
    yield Finding(
        "contention", Location(path, first.line), rehearsal.contention_text, advice, severity
    )
