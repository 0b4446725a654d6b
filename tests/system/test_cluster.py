"""Grades and diagnoses by two processes, and by a Dask cluster: byte for byte those of one process.

Scheduler and workers are real processes, started as an administrator would.
"""

from __future__ import annotations

import re
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

import harness
from harness.bundle import Places
from harness.grade import GRADE_FILE
from harness.jobs.diagnose import diagnose_chip
from harness_reports import suspects_json
from tests.unit.convert.imports import VECTORS, design_folder
from tests.unit.jobs.test_diagnose import store

__all__ = ["store"]

DESIGNS = ("prio148", "dec138")
ALONE = ("--no-dashboard", "--host", "127.0.0.1")


@pytest.fixture(scope="module")
def scheduler(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """Address of a scheduler with two workers."""
    folder = tmp_path_factory.mktemp("cluster")
    file = folder / "scheduler.json"
    with ExitStack() as running:

        def start(what: str, *arguments: str) -> None:
            command = [
                sys.executable,
                "-m",
                "dask",
                what,
                *arguments,
                "--scheduler-file",
                str(file),
            ]
            process = running.enter_context(
                subprocess.Popen(command, cwd=folder, stderr=subprocess.DEVNULL)
            )
            running.callback(process.terminate)

        start("scheduler", "--port", "0", *ALONE)
        for _ in range(2):
            start("worker", "--nthreads", "1", *ALONE)
        distributed = pytest.importorskip("distributed")
        until = time.monotonic() + 60
        while not file.exists() and time.monotonic() < until:
            time.sleep(0.1)
        with distributed.Client(scheduler_file=str(file), set_as_default=False) as client:
            client.wait_for_workers(2, timeout=60)
            address = client.scheduler.address
        yield address


@pytest.mark.nightly
def test_grades_are_the_same_byte_for_byte(scheduler: str, tmp_path: Path) -> None:
    for name in DESIGNS:
        design_folder(name, tmp_path)
    shuttle = tmp_path / "shuttle.toml"
    listed = ", ".join(f'"{name}"' for name in DESIGNS)
    shuttle.write_text(re.sub(r"designs = \[.*\]", f"designs = [{listed}]", shuttle.read_text()))
    kept = []
    for workers in (harness.Workers(1), harness.Workers(2), harness.Workers(1, scheduler)):
        done = harness.grade_tables(harness.load_shuttle(tmp_path), workers=workers)
        assert [one.design for one in done] == list(DESIGNS)
        files = [one.path for one in done]
        assert files == [tmp_path / name / GRADE_FILE for name in DESIGNS]
        kept.append([path.read_bytes() for path in files if path])
        for path in files:
            assert path is not None
            path.unlink()
    assert kept[0] == kept[1] == kept[2]


@pytest.mark.nightly
def test_suspects_are_the_same_byte_for_byte(scheduler: str, store: Path) -> None:
    places = Places(shuttle=VECTORS / "shuttle.toml")
    here, there = (
        diagnose_chip("SP2-0001", places=places, store=store, workers=workers)
        for workers in (harness.Workers(), harness.Workers(1, scheduler))
    )
    texts = [suspects_json([s for c in one.causes for s in c.suspects]) for one in (here, there)]
    assert texts[0] == texts[1]
    assert '"q[1] stuck at 1"' in texts[0]
