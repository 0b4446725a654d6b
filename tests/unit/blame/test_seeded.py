"""A few seeded racks, known faults and odd ones: no good chip accused, nothing named that is wrong.

The benchmark ``tests.bench.blame`` does the same on a thousand racks with all intake tables.
"""

from __future__ import annotations

import random
from functools import cache

import pytest

from tests.bench.blame.measures import tally_rack
from tests.bench.blame.racks import SLOTS, Floor, draw
from tests.unit.blame.racks import KEYS, predictions


@cache
def floor() -> Floor:
    return Floor(KEYS)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("how", ["known", "odd"])
def test_nothing_that_is_named_is_wrong(seed: int, how: str) -> None:
    rng = random.Random(f"{how} {seed}")
    truth = draw(floor(), rng, unknown=how == "odd")
    chips = [f"SP2-{rng.randrange(1000, 5000)}" for _ in range(SLOTS)]
    tally = tally_rack(floor(), predictions(), seed, truth, floor().rack(truth, chips))
    wrong = ("good chips accused", "bad chips passed", "one: named wrong", "two: named wrong")
    assert {name: tally.counts[name] for name in wrong} == dict.fromkeys(wrong, 0), tally.lines
