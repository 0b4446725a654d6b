"""A virtual board is handed out when its interpreter runs, however long that takes."""

from __future__ import annotations

import os
import select
import time
from functools import partial
from pathlib import Path

import pytest

from harness.cli import main
from harness.link import RawRepl, SerialPort
from harness.rack import reaching
from harness.virtual import VirtualBoardSpec, VirtualRack, interpreter
from harness.virtual.board import VirtualBoard
from tests.racks import forked

ROOT = Path(__file__).parents[3]
SPEC = VirtualBoardSpec(
    "A1", "WB-01", "SP2-0001", ROOT / "vectors/shuttle.toml", ROOT / "ci/wader.toml", stand_in=True
)


def board(monkeypatch: pytest.MonkeyPatch, script: str) -> VirtualBoard:
    on_terminal = f'exec <>"$0" >&0; {script}'
    monkeypatch.setattr(interpreter, "command", lambda *_: ("/bin/sh", "-c", on_terminal))
    return VirtualBoard(SPEC)


def test_a_slow_interpreter_is_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    slow = board(monkeypatch, "sleep 0.7; echo up; exec sleep 9")
    began = time.monotonic()
    slow.start()
    slow.wait_until_up()
    assert time.monotonic() - began >= 0.7
    host = os.open(slow.port, os.O_RDWR | os.O_NOCTTY)
    assert select.select([host], [], [], 5.0)[0]
    assert os.read(host, 100).startswith(b"up")
    os.close(host)
    slow.stop()


def test_an_interpreter_that_never_runs_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    dead = board(monkeypatch, "exit 1")
    dead.start()
    dead.wait_until_up()
    dead.stop()


def test_a_stand_in_gives_its_prompt_at_the_first_try(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("harness.link.upload.TRIES", 1)
    with VirtualRack([SPEC], launch=forked) as rack:
        assert rack.remark.startswith("virtual boards: CPython standing in for MicroPython")
        port = SerialPort(rack.ports["A1"])
        RawRepl(port).reach_prompt()
        port.close()


def test_a_run_says_on_the_terminal_what_stands_in_and_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    rack = tmp_path / "rack.toml"
    rack.write_text(
        f'shuttle = "{ROOT}/vectors/shuttle.toml"\nprofile = "{ROOT}/ci/wader.toml"\n'
        '[[slot]]\nname = "A1"\nport = "virtual"\nboard = "WB-01"\nchip = "SP2-0001"\n',
        "utf-8",
    )
    monkeypatch.setattr(reaching, "_spec", lambda *_: SPEC)
    monkeypatch.setattr(reaching, "VirtualRack", partial(VirtualRack, launch=forked))
    kept = ["--store", str(tmp_path / "s.sqlite"), "--out", str(tmp_path / "out")]
    assert main(["run", str(rack), "--designs", "bcd7seg", *kept]) == 0
    assert capsys.readouterr().out.startswith(
        "virtual boards: CPython standing in for MicroPython, for which no interpreter is "
        "installed; the extra `virtual` of harness brings it (pip install 'harness[virtual]')\n"
    )
