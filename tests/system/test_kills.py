"""Runs that are killed at random moments and finished by another process."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.system.killing import check_finished, run_with_kills, write_rack


@pytest.mark.timeout(600)
def test_kills_lose_no_outcome_and_nothing_is_measured_twice(tmp_path: Path) -> None:
    """The long version, 200 kills, is ``tests/bench/kills.py``."""
    rack, store = write_rack(tmp_path, 2), tmp_path / "s.sqlite"
    seen = run_with_kills(rack, store, "bcd7seg,crc16,gray,dec138", 2, random.Random(7), 0.12)
    check_finished(store, seen, slots=2, tables=5)
    assert seen.kills >= 1
