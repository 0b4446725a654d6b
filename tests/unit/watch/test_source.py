"""What the page reads of a store."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from harness.store import Store
from harness.watch.source import StoreSource, look_at
from harness.watch.state import Overview
from tests.unit.store.samples import heading


@pytest.fixture
def source(tmp_path: Path) -> Iterator[StoreSource]:
    """Give a store in which two racks ran."""
    path = tmp_path / "s.sqlite"
    with Store(path) as store:
        for name in ("bench", "shelf"):
            store.start_run(replace(heading(f"{name}-1"), rack=name))
    opened = StoreSource(str(path))
    yield opened
    opened.close()


def test_a_rack_that_never_ran_has_no_run_but_the_other_racks_are_still_listed(
    source: StoreSource,
) -> None:
    every = look_at(source, None).racks
    assert set(every) == {"bench", "shelf"}
    assert look_at(source, "Nope") == Overview(None, (), every)
