"""A few seeded racks, known faults and odd ones: no good chip accused, nothing named that is wrong.

The benchmark ``tests.bench.blame`` does the same on a thousand racks with all intake tables.
"""

from __future__ import annotations

import random
from functools import cache

import pytest

from harness.blame.settle import settle
from harness.records import Verdict
from tests.bench.blame.faults import Fault
from tests.bench.blame.measures import tally_rack
from tests.bench.blame.odd import Odd
from tests.bench.blame.racks import SLOTS, Floor, Truth, draw
from tests.unit.blame.racks import KEYS, predictions


@cache
def floor() -> Floor:
    return Floor(KEYS)


@pytest.mark.parametrize("label", ["droop", "crosstalk", "open while other is high"])
def test_two_boards_with_one_fault_of_no_known_kind_are_no_margin_of_their_chips(
    label: str,
) -> None:
    pins = () if label == "droop" else ("in3", "in4")
    fault = Fault(f"odd {label}", frozenset(), pins, odd=Odd(label, pins))
    truth = Truth(((fault,), (fault,), *[()] * (SLOTS - 2)))
    run = floor().rack(truth, [f"SP2-000{slot}" for slot in range(SLOTS)])
    result = settle(run, predictions(), dict.fromkeys(KEYS, True))
    found = {outcome.verdict for outcome in result.outcomes if outcome.cause}
    assert found == {Verdict.ERROR}


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("how", ["known", "odd"])
def test_nothing_that_is_named_is_wrong(seed: int, how: str) -> None:
    rng = random.Random(f"{how} {seed}")
    truth = draw(floor(), rng, unknown=how == "odd")
    chips = [f"SP2-{rng.randrange(1000, 5000)}" for _ in range(SLOTS)]
    tally = tally_rack(floor(), predictions(), seed, truth, floor().rack(truth, chips))
    wrong = ("good chips accused", "bad chips passed", "one: named wrong", "two: named wrong")
    assert {name: tally.counts[name] for name in wrong} == dict.fromkeys(wrong, 0), tally.lines
