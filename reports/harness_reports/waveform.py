"""The cycles that were read back as a value change dump (IEEE 1364), written with pyvcd.

The one rule: a cycle starts at its number times the period that was asked for, whatever the
board made of it; a reader who needs true times finds the achieved rate in the comment. Scopes:
``driven``, ``observed``, ``expected`` with a wire for each pin and each signal and bus of the
design, and ``table`` with the cycle's number, table line and whether anything in it was wrong.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any

from vcd.writer import Variable, VCDWriter

from harness.blame import buses_of
from harness.errors import printable
from harness.records import Outcome, RunHeading, Window
from harness_reports.captured import around, captured, cut
from harness_reports.names import numbered
from harness_reports.texts import conditions_text, differs

_QUARTERS = 4
_DRIVEN = {"0": "0000", "1": "1111", "C": "0110", "K": "1001"}
_OBSERVED = {"0": "0", "1": "1", "Z": "z"}
_EXPECTED = {"H": "1", "L": "0", "Z": "z"}

MAX_DUMP_CYCLES = 1024
"""Maximum number of cycles of an outcome's dump: some 150 kB."""

Values = dict[tuple[str, str], int | str]
"""Value of each wire, by scope and name, at one time."""


@dataclass(frozen=True)
class Wire:
    """A variable in a scope: a pin, or a signal or bus by the design's name for it.

    ``waves`` are the places of its bits among the window's waves, the highest first.
    """

    name: str
    waves: tuple[int, ...]


@dataclass(frozen=True)
class WaveHeading:
    """What a dump says of itself, and a quarter of a cycle in nanoseconds."""

    top: str
    comment: str
    quarter: int
    version: str = ""
    date: str = ""


def waveform(run: RunHeading, outcome: Outcome) -> bytes:
    """Return the cycles that an outcome kept as VCD text in ASCII; times are nanoseconds.

    Of more than :data:`MAX_DUMP_CYCLES` it has those around the first mismatch.
    """
    near, whole = outcome.window, captured(outcome)
    assert near is not None
    assert whole is not None
    first = whole.cycles.index(near.cycles[0]) if near.cycles else 0
    part = around(len(whole.cycles), first, MAX_DUMP_CYCLES // 2, MAX_DUMP_CYCLES)
    window = cut(whole, part)
    heading = WaveHeading(
        f"{outcome.design}_{outcome.table}",
        _about(run, outcome, window, whole),
        _quarter_ns(outcome),
        f"harness {run.tool_version}",
        run.started.isoformat(),
    )
    return _dump(window, heading, ("driven", "observed", "expected"))


def table_waveform(window: Window, heading: WaveHeading) -> bytes:
    """Return cycles that have not run as VCD text: what is driven, expected and labelled."""
    return _dump(window, heading, ("driven", "expected"))


def _dump(window: Window, heading: WaveHeading, scopes: Sequence[str]) -> bytes:
    wires = _wires(window)
    text = io.StringIO()
    with VCDWriter(
        text,
        timescale="1 ns",
        date=heading.date,
        version=_comment(heading.version),
        comment=_comment(heading.comment),
    ) as writer:
        variables = _register(writer, _identifier(heading.top), scopes, wires)
        end = 0
        for time, values in _moments(window, wires, heading.quarter):
            end = time
            for key in values.keys() & variables.keys():
                writer.change(variables[key], time, values[key])
        writer.close(end + heading.quarter)
    return text.getvalue().encode("ascii")


def _wires(window: Window) -> tuple[Wire, ...]:
    """List each pin, then each signal and bus that has a name of its own."""
    pins = [wave.pin for wave in window.waves]
    buses = buses_of([wave.signal for wave in window.waves])
    wires: list[tuple[str, tuple[int, ...]]] = [(pin, (k,)) for k, pin in enumerate(pins)]
    wires += [
        (bus.name, bus.places[::-1])
        for bus in buses
        if len(bus.places) > 1 or bus.name != pins[bus.places[0]]
    ]
    names = numbered([_identifier(name) for name, _ in wires], "_", str)
    return tuple(Wire(name, waves) for name, (_, waves) in zip(names, wires, strict=True))


def _register(
    writer: VCDWriter, top: str, scopes: Sequence[str], wires: Sequence[Wire]
) -> dict[tuple[str, str], Variable[Any]]:
    variables: dict[tuple[str, str], Variable[Any]] = {}
    for name in ("cycle", "line"):
        variables["table", name] = writer.register_var((top, "table"), name, "integer", size=64)
    if "observed" in scopes:
        mismatch = writer.register_var((top, "table"), "mismatch", "wire", size=1)
        variables["table", "mismatch"] = mismatch
    else:
        variables["table", "label"] = writer.register_var((top, "table"), "label", "string")
    for scope in scopes:
        for wire in wires:
            variables[scope, wire.name] = writer.register_var(
                (top, scope), wire.name, "wire", size=len(wire.waves)
            )
    return variables


def _moments(window: Window, wires: Sequence[Wire], quarter: int) -> Iterator[tuple[int, Values]]:
    """Give the time and values of each quarter of each cycle; a pulse fills the middle two."""
    start = -_QUARTERS * quarter
    for k, cycle in enumerate(window.cycles):
        start = max(start + _QUARTERS * quarter, cycle * _QUARTERS * quarter)
        yield start, _whole_cycle(window, wires, k)
        for part in range(1, _QUARTERS):
            yield start + part * quarter, _driven(window, wires, k, part)


def _whole_cycle(window: Window, wires: Sequence[Wire], k: int) -> Values:
    values = _driven(window, wires, k, 0)
    observed = [_OBSERVED.get(wave.observed[k : k + 1], "x") for wave in window.waves]
    expected = [_EXPECTED.get(wave.expected[k : k + 1], "x") for wave in window.waves]
    for wire in wires:
        values["observed", wire.name] = _joined(wire, observed)
        values["expected", wire.name] = _joined(wire, expected)
    values["table", "cycle"] = window.cycles[k]
    values["table", "line"] = window.lines[k]
    values["table", "label"] = re.sub(r"\s", "_", _comment(window.labels[k]))
    values["table", "mismatch"] = int(any(differs(wave, k) for wave in window.waves))
    return values


def _driven(window: Window, wires: Sequence[Wire], k: int, part: int) -> Values:
    """Give the level of each wire that is driven, in a quarter; only pulses change in a cycle."""
    symbols = [wave.driven[k : k + 1] for wave in window.waves]
    levels = [_DRIVEN.get(symbol, "zzzz")[part] for symbol in symbols]
    return {
        ("driven", wire.name): _joined(wire, levels)
        for wire in wires
        if part == 0 or any(symbols[place] in "CK" for place in wire.waves)
    }


def _joined(wire: Wire, levels: Sequence[str]) -> str:
    return "".join(levels[place] for place in wire.waves)


def _quarter_ns(outcome: Outcome) -> int:
    rate = outcome.conditions.clock_hz if outcome.conditions else 0.0
    return max(1, round(1e9 / _QUARTERS / rate)) if rate > 0 else 250


def _identifier(text: str) -> str:
    return re.sub(r"[^A-Za-z0-9_]", "_", text) or "_"


def _about(run: RunHeading, outcome: Outcome, window: Window, whole: Window) -> str:
    kept = len(whole.cycles)
    part = f"{len(window.cycles):,} of {kept:,}" if len(window.cycles) < kept else f"All {kept:,}"
    return (
        f"run {run.run_id}, chip {outcome.chip_serial}, board {outcome.board_serial}, "
        f"design {outcome.design}, table {outcome.table}; "
        f"{conditions_text(outcome.conditions)}. Outputs are read at the end of their cycle and "
        f"drawn over all of it. {part} cycles that were read back in a run of their own. "
        "x: not read or not tested; z: not driven or floating."
    )


def _comment(text: str) -> str:
    """Keep a header text from ending its section early."""
    plain = printable(text).replace("$", "_").replace("µ", "u")
    return plain.encode("ascii", "replace").decode("ascii")
