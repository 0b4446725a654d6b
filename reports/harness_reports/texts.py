"""Words and numbers as people read them, shared by all products.

The one rule: text from a record is never trusted; :func:`printable` makes it harmless to
terminals and legal in XML, and says what was there instead of dropping it.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import UTC, datetime

from harness.errors import many
from harness.records import (
    SATISFIES,
    SEVERITY_ORDER,
    STUCK_AT,
    Attempt,
    ChipRecord,
    Conditions,
    Coverage,
    EvidenceCycle,
    Outcome,
    PinResult,
    Rehearsal,
    RehearsalResult,
    RunHeading,
    Verdict,
    Wave,
)
from harness.store import HistoryRun, PassRate


def level(symbol: str) -> str:
    """Write what a table tests as the level to be observed: 0, 1 or Z, and ``x`` for no test."""
    return SATISFIES.get(symbol, "x")


def differs(wave: Wave, k: int) -> bool:
    """Tell whether entry ``k`` of a wave was tested and read otherwise than expected."""
    observed = wave.observed[k : k + 1]
    wanted = SATISFIES.get(wave.expected[k : k + 1], observed)
    return observed in SATISFIES.values() and observed != wanted


def hertz(rate: float, figures: int = 4) -> str:
    """Write a rate with this many figures and a suitable unit."""
    limit, unit = next((one for one in ((1e6, "MHz"), (1e3, "kHz")) if rate >= one[0]), (1, "Hz"))
    return f"{float(f'{rate / limit:.{figures}g}'):g} {unit}"


def share(part: float) -> str:
    """Write a share with one decimal; only a whole is 100, and only nothing is 0."""
    if 0 < part < 0.0005:
        return "<0.1"
    if 0.9995 <= part < 1:
        return ">99.9"
    return f"{part:.0%}".rstrip("%") if part in {0, 1} else f"{part * 100:.1f}"


def duration(seconds: float) -> str:
    """Write a time span in a suitable unit."""
    if seconds < 1:
        return f"{seconds * 1000:.3g} ms"
    if seconds < 100 or not math.isfinite(seconds):
        return f"{seconds:.3g} s"
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes} min {rest} s"


def moment(when: datetime) -> str:
    """Write a date and time to the second, in UTC."""
    return f"{when.astimezone(UTC):%Y-%m-%d %H:%M:%S} UTC"


def run_title(run: RunHeading) -> str:
    """Call a run by its rack and when it began; its id is for machines."""
    return f"{run.rack}, {minute(run.started)} UTC"


def unstable_remark(verdicts: Iterable[Verdict | None]) -> str:
    """Say what UNSTABLE means if it is among these; services use the word for something else."""
    if Verdict.UNSTABLE not in verdicts:
        return ""
    return (
        "UNSTABLE is a verdict on a table: repeated with the same inputs, the chip gave different "
        "answers. It does not say that other tests failed."
    )


def time_remark(chip: ChipRecord) -> str:
    """Say what the time of a table contains, as it need not be its cycles at its rate."""
    measured = "Time is what the computer waited for all runs of a table, with transfers"
    if chip.virtual:
        return f"{measured}; a virtual board only simulates the rate, and may need less."
    return f"{measured}; the rate is that of the cycles alone."


def month(when: datetime) -> str:
    """Write a moment's month, in UTC."""
    return f"{when.astimezone(UTC):%Y-%m}"


def day(when: datetime | None) -> str:
    """Write a moment's date, in UTC; a dash if there is none."""
    return f"{when.astimezone(UTC):%Y-%m-%d}" if when is not None else "–"


def minute(when: datetime) -> str:
    """Write a moment to the minute, in UTC."""
    return f"{when.astimezone(UTC):%Y-%m-%d %H:%M}"


def clock(when: datetime) -> str:
    """Write a time of day, in UTC."""
    return f"{when.astimezone(UTC):%H:%M:%S} UTC"


def rate_text(rate: PassRate) -> str:
    """``98.5 %``; a dash if nothing was tested."""
    return f"{share(rate.passes / rate.tested)} %" if rate.tested else "–"


def interval_text(rate: PassRate) -> str:
    """``92.1 to 99.9 %``: where a pass rate lies with 95 % confidence; a dash if unknown."""
    return f"{share(rate.low)} to {share(rate.high)} %" if rate.tested else "–"


def counts_text(run: HistoryRun) -> str:
    """``2 FAIL, 32 PASS, 1 left out``: worst first."""
    counts = [f"{run.counts[v]:,} {v}" for v in SEVERITY_ORDER if v in run.counts]
    return ", ".join([*counts, *([f"{run.left_out:,} left out"] if run.left_out else [])])


def timing_word(conditions: Conditions) -> str:
    """Say briefly how the cycles were timed."""
    if not conditions.exact:
        return "paced"
    return f"exact, {many(conditions.gaps, 'pause')}" if conditions.gaps else "exact"


def _rate_error(conditions: Conditions) -> str:
    """By how much an exact rate is off what was asked; empty where software paces, or it is not."""
    if not conditions.exact:
        return ""
    off = conditions.achieved_hz / conditions.clock_hz - 1
    return f", {100 * off:+.2g} %" if abs(off) >= 1e-6 else ""


def conditions_text(conditions: Conditions | None) -> str:
    """How a table was run, in one line."""
    if conditions is None:
        return "not run on a board"
    how = f"{timing_word(conditions)}{_rate_error(conditions)}"
    return (
        f"requested {hertz(conditions.clock_hz)}, ran at {hertz(conditions.achieved_hz)}"
        f" ({how}), settle {conditions.settle_us:g} µs,"
        f" reset {many(conditions.reset_cycles, 'cycle')}"
    )


def place(cycle: EvidenceCycle) -> str:
    """Where a failing cycle is: in the run, in the table file, and its label."""
    text = f"cycle {cycle.cycle:,}, table line {cycle.line}"
    return f"{text}, “{cycle.label}”" if cycle.label else text


def pin_text(pin: PinResult) -> str:
    """Write a pin with the design's name for it, what was expected and what was seen."""
    return (
        f"{pin_name(pin.pin, pin.signal)} expected {level(pin.expected)}, observed {pin.observed}"
    )


def pin_name(pin: str, signal: str) -> str:
    """``out2 (q[2])``, or just the pin where the design has no other name for it."""
    return f"{pin} ({signal})" if signal and signal != pin else pin


def first_mismatch(outcome: Outcome) -> str:
    """Name the first failing cycle and pin, or nothing if none was kept."""
    if not outcome.evidence or not outcome.evidence[0].wrong:
        return ""
    first = outcome.evidence[0]
    rest = f", and {many(len(first.wrong) - 1, 'more pin')}" if len(first.wrong) > 1 else ""
    return f"{place(first)}: pin {pin_text(first.wrong[0])}{rest}"


def rehearsal_text(rehearsal: Rehearsal | None) -> str:
    """Say how the table did on its own netlist; nothing if it never ran there."""
    if rehearsal is None:
        return ""
    words = [_REHEARSED[rehearsal.result]]
    if rehearsal.first is not None:
        words.append(f"first in {place(rehearsal.first)}")
    words += [rehearsal.why] if rehearsal.why else []
    words += [rehearsal.contention_text] if rehearsal.contention else []
    if rehearsal.unknown_rows:
        words.append(f"{many(rehearsal.unknown_rows, 'row')} may depend on the power-up state")
    return "; ".join(words)


def percent(share: float) -> str:
    """``93.4 %``; never 100 for less than all."""
    shown = f"{100 * share:.1f}"
    return "99.9 %" if share < 1 and shown == "100.0" else f"{shown} %"


def coverage_text(outcome: Outcome) -> str:
    """Say beside PASS how much of the design's faults the table would notice: ``93.4 % (95.1 %)``.

    In brackets, together with the design's other tables. Nothing without a grade that is of this
    table and its netlist.
    """
    coverage = outcome.rehearsal.coverage if outcome.rehearsal else None
    if outcome.verdict is not Verdict.PASS or coverage is None:
        return ""
    if coverage.tables is None or coverage.tables == coverage.alone:
        return percent(coverage.alone)
    return f"{percent(coverage.alone)} ({percent(coverage.tables)})"


def cells_text(outcomes: Iterable[Outcome]) -> str:
    """Name the kinds of cells that fault coverage beside verdicts was counted on; may be empty."""
    graded = (o.rehearsal.coverage for o in outcomes if o.rehearsal and coverage_text(o))
    return ", ".join(sorted({cell for one in graded if one for cell in one.cells}))


def coverages_text(coverages: Sequence[tuple[str, Coverage]]) -> str:
    """Say what the tables of a design would notice: ``Fault coverage (stuck-at): check 88.7 %``."""
    alone = ", ".join(f"{table} {percent(one.alone)}" for table, one in coverages)
    together = next((one.tables for _, one in coverages if one.tables is not None), None)
    all_of_them = "" if together is None else f"; all tables together {percent(together)}"
    cells = ", ".join(sorted({cell for _, one in coverages for cell in one.cells}))
    on = f", on these cells: {cells}" if cells else ""
    return f"Fault coverage ({STUCK_AT}): {alone}{all_of_them}{on}."


_REHEARSED = {
    RehearsalResult.PASSES: "passes on its own netlist",
    RehearsalResult.FAILS: "fails on its own netlist",
    RehearsalResult.NO_NETLIST: "the design has no netlist",
    RehearsalResult.NOT_REHEARSED: "not rehearsed",
}


def short_first(outcome: Outcome) -> str:
    """Name the first failing cycle and pin in a few words; a dash if none was kept."""
    if not outcome.evidence or not outcome.evidence[0].wrong:
        return "–"
    first = outcome.evidence[0]
    pin = first.wrong[0]
    return f"cycle {first.cycle:,}, line {first.line}, {pin_name(pin.pin, pin.signal)}"


def agreement(attempts: Sequence[Attempt]) -> str:
    """Say whether the repeats of a table gave the same answers."""
    if not attempts:
        return "No attempt was completed."
    if len(attempts) == 1:
        return "Run once, so repeats cannot be compared."
    kinds = len({attempt.signature for attempt in attempts})
    if kinds == 1:
        return f"Run {len(attempts)} times; every tested bit was the same each time."
    return f"Run {len(attempts)} times; the answers differ ({kinds} signatures)."
