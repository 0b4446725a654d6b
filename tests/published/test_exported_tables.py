"""Every table of the demo, written for other tools and read back: the same test, cycle by cycle.

JESD3 is read by our own importer, which has its own checks. STIL is read by ``tests.stil``, which
shares nothing with the exporter.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from harness.convert import (
    conditions,
    jesd3_bytes,
    jesd3_pattern,
    named_pins,
    numbered_pins,
    read_jesd3,
    stil_lines,
)
from harness.errors import TableError
from harness.shuttle import Direction
from harness.table import PLANES, Pattern, Words, load_table
from tests.published import demo
from tests.stil import Events, Stil, read_stil

LONG = ("vgatiming", "frame")
TABLES = [
    pytest.param(*name, marks=pytest.mark.nightly if name == LONG else ())
    for name in demo.table_names()
]
PULSES = {"DUD": "C", "UDU": "K"}


def board_rows(pattern: Pattern, design: str, table: str) -> dict[str, Words]:
    """What a board does: the reset, then the table with the chip's other pins at rest."""
    shuttle, spec = demo.shuttle(), demo.table_spec(design, table)
    drive, enable = shuttle.rest_levels
    enable &= ~shuttle.mask(Direction.SELECT)
    whole = pattern.with_rest(drive, enable)
    rows = {name: getattr(whole, name) for name in (*PLANES, "repeat", "until")}
    own = sum(signal.mask for signal in demo.design(design).signals)
    if not (spec.reset_cycles and own & shuttle.mask(Direction.RESET)):
        return rows
    first = dict.fromkeys(rows, 0) | {
        "drive": drive ^ shuttle.mask(Direction.RESET),
        "enable": enable,
        "pulse": shuttle.mask(Direction.CLOCK) & own,
        "repeat": spec.reset_cycles,
    }
    return {name: np.concatenate(([first[name]], column)) for name, column in rows.items()}


def meaning(events: Events) -> dict[str, bool]:
    """What a waveform asks of its pin, as planes of a pattern."""
    shape = "".join(event for _, event in events)
    forced = [event for event in shape if event in "DU"]
    tested = shape.strip("DUZX")
    late = [time for time, event in events if event in "LHT"]
    assert len(tested) <= 1
    assert len(forced) == 0 or shape in {"D", "U", *PULSES}, "driven all the time"
    assert all(time > max(t for t, e in events if e not in "LHT") for time in late)
    return {
        "drive": forced[:1] == ["U"],
        "enable": bool(forced),
        "pulse": shape in PULSES,
        "expect": tested == "H",
        "care": tested in {"H", "L"},
        "highz": tested == "T",
    }


def stil_rows(stil: Stil) -> dict[str, NDArray[np.int64]]:
    """The vectors of a STIL file as planes of a pattern."""
    columns = {name: np.zeros(len(stil.rows), np.int64) for name in PLANES}
    (group,) = {name for _, _, values in stil.rows for name in values}
    symbols = np.array([list(values[group]) for _, _, values in stil.rows])
    for column, name in enumerate(stil.groups[group]):
        mask = demo.shuttle().pins_by_name[name].mask
        for symbol in np.unique(symbols[:, column]).tolist():
            for plane, asked in meaning(stil.waveforms[name][symbol]).items():
                columns[plane] |= np.where(asked & (symbols[:, column] == symbol), mask, 0)
    columns["repeat"] = np.array([times for _, times, _ in stil.rows])
    columns["until"] = np.array([kind == "MatchLoop" for kind, _, _ in stil.rows])
    return columns


@pytest.mark.parametrize(("design", "table"), demo.table_names())
def test_a_table_in_stil_is_the_same_test(design: str, table: str) -> None:
    spec, shuttle = demo.table_spec(design, table), demo.shuttle()
    pattern = load_table(spec, demo.design(design), shuttle)
    rows = conditions(pattern, spec, demo.design(design), shuttle)
    stil = read_stil("".join(stil_lines(rows, spec, demo.design(design))))
    expected, found = board_rows(pattern, design, table), stil_rows(stil)
    assert {name: found[name].tolist() for name in expected} == {
        name: column.tolist() for name, column in expected.items()
    }
    assert stil.period * round(spec.clock_hz) == 1
    for signal in demo.design(design).signals:
        assert stil.groups.get(signal.name, (signal.name,)) == tuple(p.name for p in signal.pins)
    assert set(pattern.labels.values()) <= set(stil.notes)


@pytest.mark.parametrize(("design", "table"), TABLES)
def test_a_table_in_jesd3_comes_back_as_the_same_test(design: str, table: str) -> None:
    made, spec, shuttle = demo.design(design), demo.table_spec(design, table), demo.shuttle()
    pattern = load_table(spec, made, shuttle)
    rows = conditions(pattern, spec, made, shuttle)
    if pattern.until.any():
        with pytest.raises(TableError, match=r'"until \d+" cannot be written: JESD3 has no'):
            jesd3_bytes(rows, spec, numbered_pins({}, made, shuttle))
        return
    data = jesd3_bytes(rows, spec, numbered_pins({}, made, shuttle))
    file, findings = read_jesd3(data, Path("x.jed"))
    assert file is not None
    assert findings == []
    back = jesd3_pattern(file, named_pins(file, {}, made, shuttle), made, shuttle)
    expected = board_rows(pattern, design, table)
    own = sum(signal.mask for signal in made.signals)
    for name in PLANES:
        column = np.repeat(expected[name] & own, expected["repeat"])
        assert np.array_equal(getattr(back, name), column), name
    assert list(back.labels.values()) == list(rows.labels.values())
