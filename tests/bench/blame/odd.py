"""Faults of boards that no hypothesis describes: what they do to the words on the lines.

The one rule: each changes levels on their way to the chip, or what is read of it, one cycle after
the other; nothing here is known to the rules.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from harness.shuttle import Shuttle
from harness.virtual.chip import ChipModel

Words = NDArray[np.uint32]


@dataclass(frozen=True)
class Odd:
    """One such fault: the pins it is about, and those that it needs to look at."""

    label: str
    pins: tuple[str, ...]
    seed: int = 1


def _one(label: str) -> Callable[..., Odd]:
    def make(rng: random.Random, ins: Sequence[str], outs: Sequence[str]) -> Odd:
        return Odd(label, (rng.choice([*ins, *outs]),), rng.randrange(1 << 30))

    return make


def _two(label: str) -> Callable[..., Odd]:
    def make(rng: random.Random, ins: Sequence[str], outs: Sequence[str]) -> Odd:
        group = rng.choice((ins, outs))
        k = rng.randrange(len(group) - 1)
        return Odd(label, (group[k], group[k + 1]), rng.randrange(1 << 30))

    return make


def _none(label: str) -> Callable[..., Odd]:
    def make(rng: random.Random, _ins: Sequence[str], _outs: Sequence[str]) -> Odd:
        return Odd(label, (), rng.randrange(1 << 30))

    return make


ODD = (
    _two("crosstalk"),
    _one("slow rise"),
    _one("inverts"),
    _none("droop"),
    _two("open while other is high"),
    _none("double clock"),
    _one("late"),
    _one("weak high"),
    _none("droop of half"),
)


@dataclass
class OddChip:
    """A chip model behind a fault of this kind; takes the place of the model on a board."""

    model: ChipModel
    odd: Odd
    shuttle: Shuttle
    last: dict[str, tuple[int, int]] = field(default_factory=dict)

    def configure(self, clock_hz: float) -> None:
        """As the model."""
        self.model.configure(clock_hz)

    def run(self, drive: Words, enable: Words, pulse: Words, highz: Words) -> tuple[Words, Words]:
        """As the model, one cycle after the other."""
        clock = self._clock
        drive = self._through(drive, "in")
        if self.odd.label == "double clock" and (pulse & clock).any():
            twice = np.repeat(np.arange(len(drive)), np.where(pulse & clock, 2, 1))
            last = np.append(twice[1:] != twice[:-1], True)
            seen, floating = self.model.run(*(w[twice] for w in (drive, enable, pulse, highz)))
            return seen[last], floating[last]
        seen, floating = self.model.run(drive, enable, pulse, highz)
        return (self._through(seen, "out") & ~enable) | (seen & enable), floating

    def run_until(
        self, drive: int, enable: int, pulse: int, expect: int, care: int, limit: int
    ) -> tuple[int, int, bool]:
        """As the model."""
        words = [np.array([word], dtype=np.uint32) for word in (drive, enable, pulse, 0)]
        for used in range(1, max(limit, 1) + 1):
            seen = int(self.run(*words)[0][0])
            if not care or not (seen ^ expect) & care:
                return used, seen, True
        return used, seen, False

    @property
    def _clock(self) -> int:
        return self.shuttle.pins_by_name["clk"].mask

    def _through(self, words: Words, way: str) -> Words:
        """Change the words of one direction where its pins are concerned."""
        pins = [self.shuttle.pins_by_name[name] for name in self.odd.pins]
        if pins and pins[0].name.startswith("in") != (way == "in"):
            return words
        if not pins and way == "in":
            return words
        before, count = self.last.get(way, (0, 0))
        shifted = np.concatenate((np.array([before], np.uint32), words[:-1]))
        self.last[way] = (int(words[-1]) if len(words) else before, count + len(words))
        return _CHANGES[self.odd.label](words, shifted, [pin.bit for pin in pins])


def _bit(words: Words, bit: int) -> Words:
    return (words >> np.uint32(bit)) & np.uint32(1)


def _set(words: Words, bit: int, levels: Words) -> Words:
    mask = np.uint32(1 << bit)
    return (words & ~mask) | (levels.astype(np.uint32) << np.uint32(bit))


def _crosstalk(words: Words, before: Words, bits: list[int]) -> Words:
    moved = _bit(words, bits[0]) != _bit(before, bits[0])
    return _set(words, bits[1], np.where(moved, _bit(words, bits[0]), _bit(words, bits[1])))


def _slow_rise(words: Words, before: Words, bits: list[int]) -> Words:
    return _set(words, bits[0], _bit(words, bits[0]) & _bit(before, bits[0]))


def _inverts(words: Words, _before: Words, bits: list[int]) -> Words:
    return words ^ np.uint32(1 << bits[0])


def _droop(words: Words, _before: Words, _bits: list[int]) -> Words:
    outputs = np.uint32(0x1FF << 9)
    heavy = np.bitwise_count(words & outputs) >= 7
    return np.where(heavy, words & ~outputs, words).astype(np.uint32)


def _weak_high(words: Words, before: Words, bits: list[int]) -> Words:
    """A line that does not hold high for a second cycle."""
    held = _bit(before, bits[0]) & _bit(words, bits[0])
    return _set(words, bits[0], _bit(words, bits[0]) & (1 - held))


def _droop_of_half(words: Words, _before: Words, _bits: list[int]) -> Words:
    """Every output high at once: the upper ones read low."""
    outputs = np.uint32(0xFF << 9)
    heavy = (words & outputs) == outputs
    return np.where(heavy, words & ~np.uint32(0xF0 << 9), words).astype(np.uint32)


def _open_while(words: Words, _before: Words, bits: list[int]) -> Words:
    return _set(words, bits[0], _bit(words, bits[0]) & (1 - _bit(words, bits[1])))


def _same(words: Words, _before: Words, _bits: list[int]) -> Words:
    return words


def _late(words: Words, before: Words, bits: list[int]) -> Words:
    return _set(words, bits[0], _bit(before, bits[0]))


_CHANGES: dict[str, Callable[[Words, Words, list[int]], Words]] = {
    "crosstalk": _crosstalk,
    "slow rise": _slow_rise,
    "inverts": _inverts,
    "droop": _droop,
    "open while other is high": _open_while,
    "double clock": _same,
    "late": _late,
    "weak high": _weak_high,
    "droop of half": _droop_of_half,
}
