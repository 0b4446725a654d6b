"""Commands that a stranger planted in the texts of a rack or a bundle do not run."""

from __future__ import annotations

import time
from pathlib import Path

import pytest
import serial

from harness.bundle import Places, make_bundle, replay
from harness.store import Store
from harness_reports import INPUTS, pack, unpack
from tests.system.test_bad_input import Bench, make_bench
from tests.system.virtual import board

BREAKS_OUT = "WB'); import os; os.system('touch {canary}') #"


@pytest.fixture
def canary(tmp_path: Path) -> Path:
    """The file that a planted command would make."""
    return tmp_path / "canary"


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """A rack of one virtual slot."""
    (tmp_path / "bench").mkdir()
    return make_bench(tmp_path / "bench")


def test_a_board_says_its_serial_number_and_does_not_run_it(canary: Path) -> None:
    planted = BREAKS_OUT.format(canary=canary)
    said = f"board {planted}: own program is alive".encode()
    heard = b""
    with board(board_serial=planted) as port, serial.Serial(port, timeout=0.1) as watched:
        end = time.monotonic() + 10
        while said not in heard and time.monotonic() < end:
            heard += watched.read(4096)
    assert said in heard
    assert not canary.exists()


def test_a_board_named_by_a_rack_file_or_a_bundle_runs_no_command(
    bench: Bench, canary: Path
) -> None:
    planted = BREAKS_OUT.format(canary=canary)
    bench.edit("rack.toml", "WB-01", planted)
    assert bench.run() == 0
    assert not canary.exists()
    with Store.existing(bench.store) as store:
        record = store.latest_run()
    path = bench.folder / "b.zip"
    path.write_bytes(make_bundle(record, "SP2-0001", places=Places(below=bench.folder)).data)
    files, slot = unpack(path), f"{INPUTS}/slot.toml"
    files[slot] = files[slot].replace(b"<path>/canary", str(canary).encode())
    assert planted.encode() in files[slot]
    path.write_bytes(pack(files, path))
    replay(path)
    assert not canary.exists()
