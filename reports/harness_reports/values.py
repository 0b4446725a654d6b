"""Bus values of failing cycles, and the author's slips that would explain them.

The one rule: numbers stand beside the bits; what the record does not hold is left out.
"""

from __future__ import annotations

from collections.abc import Iterator

from harness.blame import slips, trace_of
from harness.records import Outcome

MAX_SHOWN = 8
"""Maximum number of failing cycles whose bus values are shown."""


def bus_lines(outcome: Outcome) -> tuple[str, ...]:
    """``cycle 20, line 15: crc[7:0] expected 0x29, read 0x2B``."""
    return tuple(_lines(outcome))


def slip_lines(outcome: Outcome) -> tuple[str, ...]:
    """What the author may have got wrong, where a failure may be the table's or the design's."""
    return slips(outcome) if outcome.verdict.failed else ()


def _lines(outcome: Outcome) -> Iterator[str]:
    trace = trace_of(outcome)
    if trace is None:
        return
    for cycle in outcome.evidence[:MAX_SHOWN]:
        signals = {pin.signal.partition("[")[0] for pin in cycle.wrong}
        shown = [
            f"{bus.title} expected {value[0]}, read {value[1]}"
            for bus in trace.wrong_buses
            if bus.name in signals and (value := trace.value(cycle.cycle, bus)) is not None
        ]
        if shown:
            yield f"cycle {cycle.cycle:,}, line {cycle.line}: {'; '.join(shown)}"
