"""A virtual rack whose process ends at once is said to be so, and leaves nothing open."""

from __future__ import annotations

import gc
import sys
from pathlib import Path

import pytest

from harness.errors import VirtualError
from harness.virtual import VirtualRack

DESCRIPTORS = Path("/proc/self/fd")


@pytest.mark.skipif(not DESCRIPTORS.exists(), reason="only Linux lists what a process has open")
def test_a_rack_whose_process_ends_at_once_leaves_no_pipe_open(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(sys, "executable", "/bin/false")
    gc.collect()
    before = len(list(DESCRIPTORS.iterdir()))
    for _ in range(5):  # what it is told may or may not reach it
        with pytest.raises(VirtualError, match="its process ended at once"), VirtualRack([]):
            pass
    assert len(list(DESCRIPTORS.iterdir())) == before
