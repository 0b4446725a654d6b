"""Writes a table as STIL (IEEE Std 1450-1999): the blocks that a tester needs, and no others.

One rule: what a condition means is in the waveforms, and a repeat stays a repeat. Signals are chip
pins; groups are the signals of the design, most significant bit first.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping

import numpy as np

from harness.convert.conditions import Conditions, ascii_text
from harness.shuttle import Design, Direction, TableSpec

_KINDS = {Direction.OUTPUT: "Out", Direction.BIDIRECTIONAL: "InOut"}
_DRIVES = {"0": "D", "1": "U", "C": "DUD", "K": "UDU", "F": "Z", "N": "Z"}
_WAVEFORMS = {
    "In": _DRIVES,
    "Out": {"H": "X  H", "L": "X  L", "Z": "X  T", "X": "X", "F": "X", "N": "X"},
    "InOut": _DRIVES | {"H": "Z  H", "L": "Z  L", "Z": "Z  T", "X": "Z"},
}
"""By kind of signal: symbol → event at the beginning of each quarter of the cycle.

``D U Z``: force down, up, off; ``H L T``: compare with high, low, off; ``X``: compare with nothing.
"""
_BARE = re.compile(r"(?!(?:max|min)$)[a-z][a-z0-9_]+")
"""Names that need no quotes: no word that the standard reserves looks like this."""


def stil_lines(table: Conditions, spec: TableSpec, design: Design) -> Iterator[str]:
    """Yield the file's lines, each with its line break. No table is refused."""
    kinds = {pin: _KINDS.get(design.roles.get(pin, pin.direction), "In") for pin in table.pins}
    taken = {pin.name for pin in table.pins}
    groups = {
        _free(bus.name, taken): bus.pins
        for bus in design.signals
        if [pin.name for pin in bus.pins] != [bus.name]
    }
    by_kind = {kind: _free(kind.lower(), taken) for kind in _WAVEFORMS if kind in kinds.values()}
    groups |= {n: tuple(p for p in kinds if kinds[p] == kind) for kind, n in by_kind.items()}
    every = _free("all", taken)
    title, *remarks = table.heading
    yield "STIL 1.0;\n"
    yield f'Header {{\n  Title "{_ascii(title)}";\n  Source "{_ascii(design.source)}";\n}}\n'
    yield from (f"Ann {{* {_ascii(remark)} *}}\n" for remark in remarks)
    yield "Signals {\n"
    yield from (f"  {_name(pin.name)} {kind};\n" for pin, kind in kinds.items())
    yield "}\nSignalGroups {\n"
    for name, pins in (groups | {every: table.pins}).items():
        yield f"  {_name(name)} = '{' + '.join(_name(pin.name) for pin in pins)}';\n"
    yield "}\nTiming timing {\n  WaveformTable cycle {\n"
    yield from _waveforms(spec, by_kind)
    yield "  }\n}\nPatternBurst burst {\n  PatList { vectors; }\n}\n"
    yield "PatternExec {\n  Timing timing;\n  PatternBurst burst;\n}\n"
    yield "Pattern vectors {\n  W cycle;\n"
    yield from _vectors(table, _name(every))
    yield "}\n"


def _free(name: str, taken: set[str]) -> str:
    """Return a name that no signal or group has, and take it."""
    while name in taken:
        name += "_"
    taken.add(name)
    return name


def _waveforms(spec: TableSpec, groups: Mapping[str, str]) -> Iterator[str]:
    """The cycle has four quarters; each lasts at least the time to settle.

    Inputs change at its beginning, a pulse begins after the first quarter and ends after the
    second, and outputs are tested after the third.
    """
    quarter = math.ceil(round(max(1e12 / spec.clock_hz / 4, spec.settle_us * 1e6), 3))
    yield f"    Period '{_time(4 * quarter)}';\n    Waveforms {{\n"
    for kind, group in groups.items():
        yield f"      {_name(group)} {{\n"
        for symbol, events in _WAVEFORMS[kind].items():
            timed = " ".join(
                f"'{_time(k * quarter)}' {event};" for k, event in enumerate(events) if event != " "
            )
            yield f"        {symbol} {{ {timed} }}\n"
        yield "      }\n"
    yield "    }\n"


def _time(picoseconds: int) -> str:
    """Nanoseconds, exactly."""
    whole, part = divmod(picoseconds, 1000)
    return f"{whole}.{part:03d}".rstrip("0").rstrip(".") + "ns"


def _vectors(table: Conditions, every: str) -> Iterator[str]:
    """One vector for each row; a repeated row is a loop, one that waits a match loop."""
    symbols = np.where(table.symbols == ord("N"), np.uint8(ord("X")), table.symbols)
    for row, times in enumerate(table.repeat.tolist()):
        if row in table.labels:
            yield f"  Ann {{* {_ascii(table.labels[row])} *}}\n"
        vector = f"V {{ {every} = {symbols[row].tobytes().decode('ascii')}; }}"
        if table.until[row]:
            vector = f"MatchLoop {times} {{ {vector} }}"
        elif times > 1:
            vector = f"Loop {times} {{ {vector} }}"
        yield f"  {vector}\n"


def _name(name: str) -> str:
    return name if _BARE.fullmatch(name) else f'"{name}"'


def _ascii(text: str) -> str:
    """Return a text in printable ASCII that ends no string and no annotation."""
    return ascii_text(text).replace('"', "'").replace("*}", "* }")
