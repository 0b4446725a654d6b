"""What was wrong in each failing cycle, in the words of the table's author: buses, then bits.

The one rule: everything is said of the run that is reported. What it read of a tested pin that was
not wrong is what was expected; what the record does not hold is left out.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

from harness.blame import buses_of, slips
from harness.records import Attempt, BusValue, EvidenceCycle, Outcome, levels_text
from harness_reports.captured import captured
from harness_reports.texts import level, pin_text

MAX_SHOWN = 8
"""Maximum number of failing cycles whose bus values stand in plain text; the pages show more."""

_PULSES = {"C": "pulsed high", "K": "pulsed low"}


@dataclass(frozen=True)
class CycleWords:
    """A failing cycle: its wrong values by the design's names, the inputs there, and wrong bits."""

    cycle: EvidenceCycle
    values: tuple[str, ...]
    inputs: str
    bits: tuple[str, ...]


@dataclass(frozen=True)
class _Cells:
    """What a table drives and expects in a cycle: symbols by the places of ``signals``."""

    signals: tuple[str, ...]
    driven: str
    expected: str


def cycle_words(outcome: Outcome, cycles: Sequence[EvidenceCycle]) -> tuple[CycleWords, ...]:
    """Say what was wrong in these of an outcome's failing cycles."""
    cells = _cells(outcome, {cycle.cycle for cycle in cycles})
    return tuple(_words(outcome, cycle, cells.get(cycle.cycle)) for cycle in cycles)


def bus_lines(outcome: Outcome) -> tuple[str, ...]:
    """``cycle 20, line 15: crc[7:0] expected 0x29, observed 0x2B, differs 0x02``."""
    return tuple(
        f"cycle {one.cycle.cycle:,}, line {one.cycle.line}: {'; '.join(one.values)}"
        for one in cycle_words(outcome, outcome.evidence[:MAX_SHOWN])
        if one.values
    )


def first_line(outcome: Outcome) -> str:
    """Say as :func:`bus_lines` what the first failing cycle was; empty if none was kept."""
    for one in cycle_words(outcome, outcome.evidence[:1]):
        words = "; ".join(one.values or one.bits)
        return f"cycle {one.cycle.cycle:,}, line {one.cycle.line}: {words}"
    return ""


def slip_lines(outcome: Outcome) -> tuple[str, ...]:
    """What the author may have got wrong, where a failure may be the table's or the design's."""
    return slips(outcome) if outcome.verdict.failed else ()


def how_often(outcome: Outcome, cycle: int, pin: str) -> str:
    """``1 of 3``: in how many runs a pin of a failing cycle was wrong.

    Empty if the runs agree, if a match loop moves their cycles, or if the record does not say.
    """
    runs = outcome.attempts
    shown = reported(runs)
    if shown is None or len({run.signature for run in runs}) < 2 or any(run.until for run in runs):
        return ""
    wrong = [_was_wrong(run, shown, cycle, pin) for run in runs]
    return "" if None in wrong else f"{wrong.count(True)} of {len(runs)}"


def reported(runs: Sequence[Attempt]) -> Attempt | None:
    """Return the run whose mismatches are the evidence: the first that has any."""
    return next((run for run in runs if run.mismatches), None)


def _was_wrong(run: Attempt, shown: Attempt, cycle: int, pin: str) -> bool | None:
    """Tell whether a pin was wrong in a run; None if it is not known: only its first cycle is."""
    if run.signature == shown.signature:
        return True
    if not run.mismatches or cycle < run.first_cycle:
        return False
    return pin in run.first_wrong if cycle == run.first_cycle else None


def _words(outcome: Outcome, cycle: EvidenceCycle, cells: _Cells | None) -> CycleWords:
    bits = []
    for pin in cycle.wrong:
        often = how_often(outcome, cycle.cycle, pin.pin)
        bits.append(f"{pin_text(pin)}, wrong in {often} runs" if often else pin_text(pin))
    if cells is None:
        return CycleWords(cycle, (), "", tuple(bits))
    return CycleWords(cycle, tuple(_values(cycle, cells)), _inputs(cells), tuple(bits))


def _values(cycle: EvidenceCycle, cells: _Cells) -> Iterator[str]:
    observed = {pin.signal or pin.pin: pin.observed for pin in cycle.wrong}
    for bus in buses_of(cells.signals):
        names = [cells.signals[place] for place in reversed(bus.places)]
        if not observed.keys() & set(names):
            continue
        wanted = [level(cells.expected[place]) for place in reversed(bus.places)]
        seen = [observed.get(name, bit) for name, bit in zip(names, wanted, strict=True)]
        yield str(BusValue.of(bus.title, wanted, seen))


def _inputs(cells: _Cells) -> str:
    """``data[7:0] 0x31, en 1, clk pulsed high``; bits of a bus that are not driven are ``x``."""
    shown = []
    for bus in buses_of(cells.signals):
        symbols = "".join(cells.driven[place] for place in reversed(bus.places))
        if set(symbols) != {"."}:
            value = _PULSES.get(symbols) or levels_text(symbols.replace(".", "x"))
            shown.append(f"{bus.title} {value}")
    return ", ".join(shown)


def _cells(outcome: Outcome, wanted: set[int]) -> Mapping[int, _Cells]:
    window = captured(outcome)
    if window is None:
        return {}
    signals = tuple(wave.signal or wave.pin for wave in window.waves)
    return {
        cycle: _Cells(
            signals,
            "".join(wave.driven[k] for wave in window.waves),
            "".join(wave.expected[k] for wave in window.waves),
        )
        for k, cycle in enumerate(window.cycles)
        if cycle in wanted
    }
