"""What a rehearsal says, as findings at the table's file.

One rule: an error is for the author to mend before silicon; a warning may be as it should be.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from harness.errors import Finding, Findings, Location, Severity, many
from harness.records import Rehearsal, more_rows


def remarks(rehearsal: Rehearsal, path: Path) -> list[Finding]:
    """Return what a person should know about a rehearsal of the table at ``path``."""
    found = Findings()
    found.extend((*_failure(rehearsal, path), *_contention(rehearsal, path)))
    if rehearsal.unknown:
        first, pins = rehearsal.unknown[0], ", ".join(rehearsal.unknown[0].pins)
        message = f"what is tested here depends on the power-up state: {pins}"
        found.warn(
            "power-up",
            Location(path, first.line),
            message + more_rows(rehearsal.unknown_rows),
            "reset or load the design before testing it",
        )
    if rehearsal.still:
        found.warn(
            "still-input",
            Location(path),
            f"no row moves {', '.join(rehearsal.still)}",
            "add rows that do, or leave it if another table does",
        )
    return found.items


def _failure(rehearsal: Rehearsal, path: Path) -> Iterator[Finding]:
    first = rehearsal.first
    if first is None:
        return
    states = rehearsal.states
    often = many(rehearsal.mismatches, "wrong cycle")
    if rehearsal.failing_states < states:
        often += f", but only from {rehearsal.failing_states} of {states} power-up states"
    yield Finding(
        "rehearsal-fails",
        Location(path, first.line),
        f"{'; '.join(map(str, rehearsal.values))} on the design's netlist, in cycle "
        f"{first.cycle:,}; {often}",
        "correct the table, or the design if the table is right" + _slips(rehearsal),
    )


def _slips(rehearsal: Rehearsal) -> str:
    """``; it passes if a[3:0] and b[3:0] are exchanged, or if …``."""
    return f"; it passes {', or '.join(rehearsal.slips)}" if rehearsal.slips else ""


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
