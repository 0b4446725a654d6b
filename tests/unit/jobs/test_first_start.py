"""What goes on beside the synthesiser's first start."""

from __future__ import annotations

import signal
import subprocess
from contextlib import suppress
from typing import Any

import pytest

from harness.jobs.first_start import compiling_beside
from harness.netlist import FIRST_START

Started = list["subprocess.Popen[bytes]"]


@pytest.fixture
def started(monkeypatch: pytest.MonkeyPatch) -> Started:
    """Every process that is started."""
    processes: Started = []

    class Noted(subprocess.Popen[bytes]):
        def __init__(self, *arguments: Any, **options: Any) -> None:
            super().__init__(*arguments, **options)
            processes.append(self)

    monkeypatch.setattr(subprocess, "Popen", Noted)
    return processes


def test_a_synthesiser_that_has_started_before_compiles_nothing_beside_it(started: Started) -> None:
    told: list[str] = []
    with compiling_beside(told.append) as step:
        step("reading the Verilog")
    assert told == ["reading the Verilog"]
    assert not started


def test_what_is_compiled_beside_a_first_start_is_announced_and_ends_with_it(
    started: Started,
) -> None:
    told: list[str] = []
    with suppress(KeyboardInterrupt), compiling_beside(told.append) as step:
        step(FIRST_START)
        assert [process.poll() for process in started] == [None]
        raise KeyboardInterrupt
    assert told == [f"{FIRST_START}; meanwhile, what evaluates gates is compiled too"]
    assert [process.returncode for process in started] == [-signal.SIGTERM]
