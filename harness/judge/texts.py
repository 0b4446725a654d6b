"""The sentences that explain a verdict. One rule: facts first, no blame without proof."""

from __future__ import annotations

from collections.abc import Sequence

from harness.board import Capture
from harness.errors import LinkError, many
from harness.records import Reason
from harness.shuttle import Waiver
from harness.table import Names, Pattern

_LEVELS = {"0": "low (0)", "L": "low (0)", "1": "high (1)", "H": "high (1)", "Z": "floating"}


def passed(captures: Sequence[Capture]) -> str:
    """Say what a PASS is based on."""
    cycles = captures[0].cycles
    runs = f" in each of {len(captures)} runs" if len(captures) > 1 else ""
    return f"All tested outputs were as expected in {many(cycles, 'cycle')}{runs}."


def failed(pattern: Pattern, capture: Capture, runs: int, names: Names) -> str:
    """Name the first wrong pin and its place; count wrong cycles and runs."""
    times = f", the same in {runs} runs" if runs > 1 else " in the only run"
    share = f"{capture.mismatch_count:,} of {many(capture.cycles, 'cycle')} differ{times}."
    if not capture.mismatches:
        return share[0].upper() + share[1:]
    first = capture.mismatches[0]
    wrong = names.wrong_pins(first.row, first.wrong, first.seen, first.floating)
    place = f"in cycle {first.cycle}, table line {int(pattern.line[first.row])}"
    label = pattern.labels.get(first.row, "")
    if label:
        place += f" ({label})"
    if not wrong:
        return f"First wrong {place}; {share}"
    pin = wrong[0]
    name = f"{pin.signal} (pin {pin.pin})" if pin.signal else f"pin {pin.pin}"
    more = f" with {many(len(wrong) - 1, 'other pin')}" if len(wrong) > 1 else ""
    observed, expected = _LEVELS[pin.observed], _LEVELS[pin.expected]
    return f"{name} was {observed} where {expected} was expected, first {place}{more}; {share}"


def unstable(mismatches: Sequence[int], reason: Reason) -> str:
    """Say how the runs of one stimulus differed; ``mismatches`` has the count of each."""
    counts = ", ".join(map(str, mismatches))
    remark = (
        " Only the first run differed, as when a register that the table does not reset keeps "
        "its previous value."
    )
    return (
        f"{many(len(mismatches), 'run')} of the same stimulus gave different answers "
        f"(mismatches per run: {counts}).{remark if reason is Reason.FIRST_RUN_DIFFERS else ''}"
    )


def open_pins(names: Sequence[str]) -> str:
    """Name the pins that nothing drives."""
    verb = "follows" if len(names) == 1 else "follow"
    return (
        f"{', '.join(names)} {verb} the weak pulls where the design should drive: no connection "
        "between chip and controller, or a dead output driver. The chip was not judged."
    )


def also_open(names: Sequence[str]) -> str:
    """Add to a FAIL which of the other wrong pins are open; empty if there are none."""
    if not names:
        return ""
    verb = "follows" if len(names) == 1 else "follow"
    return f" Apart from that, {', '.join(names)} {verb} the weak pulls: an open connection."


def released(names: Sequence[str]) -> str:
    """Add to a FAIL which wrong pins are driven in some cycles only; empty if there are none."""
    if not names:
        return ""
    verb = "was" if len(names) == 1 else "were"
    return f" {', '.join(names)} {verb} not driven in every tested cycle, but in others."


def link_lost(error: LinkError, captures: Sequence[Capture]) -> str:
    """Say why the table could not be tested, and what earlier runs gave."""
    before = ""
    if captures:
        wrong = sum(1 for capture in captures if capture.mismatch_count)
        before = f" Before that, {many(len(captures), 'run')} completed, {wrong} with mismatches."
    return f"Could not be tested: {error}.{before}"


def waived(waiver: Waiver, summary: str) -> str:
    """Say who answers for a known failure."""
    return (
        f"Known failure, waived by {waiver.owner} until {waiver.expiry.isoformat()} "
        f"({waiver.reason}). {summary}"
    )


def expired_waiver(waiver: Waiver) -> str:
    """Say that a waiver has expired."""
    return f" The waiver of {waiver.owner} expired on {waiver.expiry.isoformat()}."


def needless_waivers(waivers: Sequence[Waiver]) -> str:
    """Remark on waivers that a PASS did not need; empty if there are none."""
    return "".join(
        f" The waiver of {waiver.owner} ({waiver.ticket or waiver.reason}) was not needed here."
        for waiver in waivers
    )
