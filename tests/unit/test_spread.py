"""Work in other processes gives what one process gives, in the same order."""

from __future__ import annotations

import math
import os
from pathlib import Path

import pytest

from harness.errors import ClusterError, NetlistError
from harness.netlist import load_netlist
from harness.spread import BROKEN, Workers, spread

NOWHERE = "tcp://127.0.0.1:9"


def test_results_come_in_the_order_of_the_work() -> None:
    assert spread(math.factorial, range(5), Workers(2)) == [1, 1, 2, 6, 24]


def test_an_error_in_another_process_is_raised_here(tmp_path: Path) -> None:
    with pytest.raises(NetlistError, match=r"a\.json"):
        spread(load_netlist, [tmp_path / "a.json", tmp_path / "b.json"], Workers(2))


@pytest.mark.nightly
def test_a_scheduler_that_does_not_answer_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("harness.spread.CONNECTING_SECONDS", 0.1)
    with pytest.raises(ClusterError, match=f"no Dask scheduler answers at {NOWHERE}: .*; check"):
        spread(math.factorial, [1], Workers(scheduler=NOWHERE))


def test_a_process_that_ends_suddenly_is_said_to_be_lost() -> None:
    with pytest.raises(ClusterError) as caught:
        spread(os._exit, [3, 3], Workers(2))
    assert str(caught.value) == BROKEN
