"""Records of every shape that can be: what one may not contain, it refuses when it is made."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from hypothesis import strategies as st

from harness.records import (
    ChipRecord,
    LongWindow,
    MarginEdge,
    MarginPoint,
    MarginRecord,
    Outcome,
    RunRecord,
    SerialInterface,
    Wave,
    Window,
)
from harness.records.long_window import MAX_WINDOW_CYCLES
from harness.records.serial_interface import MAX_BIT_CYCLES

_HZ = st.floats(0, 1e15)
_MAYBE_HZ = st.none() | _HZ
_VOLTS = st.none() | st.floats(-1e3, 1e3)
_NANOSECONDS = st.integers(0, 2**32)


def _windows(cycles: int) -> st.SearchStrategy[Window]:
    def tuples(of: st.SearchStrategy[Any]) -> st.SearchStrategy[tuple[Any, ...]]:
        return st.lists(of, min_size=cycles, max_size=cycles).map(tuple)

    def text(symbols: str) -> st.SearchStrategy[str]:
        return st.text(symbols, min_size=cycles, max_size=cycles)

    wave = st.builds(Wave, driven=text("01CK."), observed=text("01Z."), expected=text("HLZ."))
    lines = tuples(st.integers())
    waves = st.lists(wave, max_size=4).map(tuple)
    return st.builds(Window, cycles=lines, lines=lines, labels=tuples(st.text()), waves=waves)


_POINTS = st.integers(0, 1000).flatmap(
    lambda trials: st.builds(
        MarginPoint,
        rate_hz=_HZ,
        achieved_hz=_HZ,
        sample_ns=_NANOSECONDS,
        volts=_VOLTS,
        trials=st.just(trials),
        passes=st.integers(0, trials),
    )
)
_EDGES = st.builds(
    MarginEdge, sample_ns=_NANOSECONDS, volts=_VOLTS, highest_hz=_MAYBE_HZ, failing_hz=_MAYBE_HZ
)
st.register_type_strategy(
    LongWindow, st.builds(LongWindow, cycles=st.integers(0, MAX_WINDOW_CYCLES))
)
st.register_type_strategy(
    SerialInterface,
    st.builds(
        SerialInterface,
        bit_cycles=st.integers(1, MAX_BIT_CYCLES),
        data_bits=st.integers(5, 9),
        stop_bits=st.integers(1, 2),
        mode=st.integers(0, 3),
    ),
)
# what has no date in UTC is refused when it is read
st.register_type_strategy(
    datetime,
    st.datetimes(datetime(1, 1, 3), datetime(9999, 12, 29), timezones=st.timezones()),
)
st.register_type_strategy(Window, st.integers(0, 40).flatmap(_windows))
CHIPS = st.builds(ChipRecord, outcomes=st.lists(st.from_type(Outcome), max_size=1).map(tuple))
RUNS = st.builds(RunRecord, chips=st.lists(CHIPS, max_size=1).map(tuple))
MARGINS = st.builds(
    MarginRecord,
    declared_hz=st.floats(1e-3, 1e15),
    **dict.fromkeys(("promised_hz", "slowest_hz", "fastest_hz"), _HZ),
    **dict.fromkeys(("noise_low_hz", "noise_high_hz"), _MAYBE_HZ),
    points=st.lists(_POINTS, max_size=5).map(tuple),
    edges=st.lists(_EDGES, max_size=3).map(tuple),
)
