"""All the cycles that were read back of a table, pin by pin, as drawings and waveforms need them.

The one rule: what a damaged or older record lacks is left out; the cycles around the first
mismatch are always there.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from harness.records import LongWindow, Outcome, Wave, Window, unpacked_words

Words = NDArray[np.uint32]


def captured(outcome: Outcome) -> Window | None:
    """Return every cycle that was read back; None if none was."""
    near = outcome.window
    if near is None or outcome.long_window is None:
        return near
    try:
        whole = _unpacked(outcome.long_window, tuple(wave.pin for wave in near.waves))
    except ValueError:  # damaged
        return near
    labels = dict(zip(near.cycles, near.labels, strict=True))
    return replace(whole, labels=tuple(labels.get(cycle, "") for cycle in whole.cycles))


def around(cycles: int, first: int, before: int, most: int) -> range:
    """Choose at most ``most`` cycles, from ``before`` the first wrong one on."""
    start = max(0, min(first - before, cycles - most))
    return range(start, min(cycles, start + most))


def cut(window: Window, cycles: range) -> Window:
    """Return the part of a window with these of its cycles, counted from its first."""
    part = slice(cycles.start, cycles.stop)
    waves = tuple(
        Wave(wave.pin, wave.signal, wave.driven[part], wave.observed[part], wave.expected[part])
        for wave in window.waves
    )
    return Window(window.cycles[part], window.lines[part], window.labels[part], waves)


@lru_cache(maxsize=1)
def _unpacked(window: LongWindow, pins: Sequence[str]) -> Window:
    """Unpack a long window, which takes a while, once for all that is shown of one table."""
    columns = unpacked_words(window)
    words = {name: np.array(columns[name], np.uint32) for name in columns if name != "line"}
    places = {pin: place for place, pin in enumerate(window.pins)}
    return Window(
        cycles=tuple(range(window.cycle, window.cycle + window.cycles)),
        lines=columns["line"],
        labels=("",) * window.cycles,
        waves=tuple(
            _wave(pin, window.signals[places[pin]], words, places[pin])
            for pin in pins
            if pin in places
        ),
    )


def _wave(pin: str, signal: str, words: Mapping[str, Words], place: int) -> Wave:
    bit = {name: (column >> np.uint32(place)) & 1 for name, column in words.items()}
    driven = np.where(bit["enable"], 1 + 2 * bit["pulse"] + bit["drive"], 0)
    tested = np.where(bit["highz"], 3, np.where(bit["care"], 1 + bit["expect"], 0))
    seen = np.where(bit["floating"], 3, 1 + bit["seen"])
    observed = np.where(bit["enable"], 0, seen)
    return Wave(pin, signal, _text(".01CK", driven), _text(".01Z", observed), _text(".LHZ", tested))


def _text(symbols: str, numbers: NDArray[np.uint32]) -> str:
    return np.frombuffer(symbols.encode(), np.uint8)[numbers].tobytes().decode()
