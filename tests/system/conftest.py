"""Racks of the system tests start as forks, also those that a command starts in this process."""

from __future__ import annotations

import functools
from collections.abc import Iterator
from multiprocessing import forkserver

import pytest

from harness.rack import reaching
from harness.virtual import VirtualRack
from tests.racks import forked


@pytest.fixture(scope="session", autouse=True)
def racks_start_as_forks() -> Iterator[None]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reaching, "VirtualRack", functools.partial(VirtualRack, launch=forked))
        yield
    forkserver._forkserver._stop()  # type: ignore[attr-defined]  # so that it is waited for here
