"""Commands that a stranger planted in any text of a rack, a shuttle or a bundle do not run."""

from __future__ import annotations

import time
import tomllib
from collections.abc import Iterator, Mapping
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
import serial

from harness.bundle import INPUTS, Places, make_bundle, unpack
from harness.bundle.archive import pack
from harness.bundle.opened import lay_out
from harness.cli import main
from harness.errors import HarnessError
from harness.jobs.replay import replay
from harness.shuttle import toml_text
from harness.store import Store
from tests.system.test_bad_input import Bench, make_bench
from tests.system.virtual import board

BREAKS_OUT = "WB'); import os; os.system('touch {canary}') #"
STYLES = (
    BREAKS_OUT,
    "x\"); import os; os.system('touch {canary}') #",
    "x''' + __import__('os').system('touch {canary}') + '''",
    "x\n__import__('os').system('touch {canary}')\n",
    "$(touch {canary}) `touch {canary}` ; touch {canary} | touch {canary} && touch {canary}",
    "x'\r\n; touch {canary} #",
    "{{__import__('os').system('touch {canary}')}}%{{touch {canary}}}%(touch {canary})s",
    "{{{{ cycler.__init__.__globals__.os.system('touch {canary}') }}}}",
    "x'; ATTACH DATABASE '{canary}' AS c; CREATE TABLE c.t(a); --%_",
    'x"; write_file {canary} <<EOT; !touch {canary}',
    "--out={canary}",
)
"""Ends of texts in Python, shells, format strings, templates, SQL, scripts; and an option."""
ALL = " ".join(STYLES)

RACK = """\
name = "bench"
shuttle = "vectors/shuttle.toml"
profile = "wader.toml"
[[slot]]
name = "A1"
port = "virtual"
board = "WB-01"
chip = "SP2-0001"
[[slot.board_fault]]
kind = "open-pin"
pin = "io3"
"""
WAIVER = """
[[waiver]]
design = "bcd7seg"
table = "function"
chips = ["SP2-0002"]
owner = "R. Ebb"
reason = "known"
ticket = "LT-1"
expiry = 2099-01-01
"""
FILES = ("rack.toml", "wader.toml", "vectors/shuttle.toml", "vectors/bcd7seg/design.toml")
READERS = ("chip_serial", "backend")
"""Keys whose texts have to be others for a run to be one: they are planted one at a time only."""

Place = tuple[str | int, ...]


@pytest.fixture
def canary(tmp_path: Path) -> Path:
    """The file that a planted command would make."""
    return tmp_path / "canary"


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """A rack of one virtual slot, with a text under every key that may have one."""
    (tmp_path / "bench").mkdir()
    made = make_bench(tmp_path / "bench")
    made.rack.write_text(RACK, "utf-8")
    shuttle = made.folder / "vectors/shuttle.toml"
    shuttle.write_text(shuttle.read_text("utf-8") + WAIVER, "utf-8")
    return made


def places(values: object, at: Place = ()) -> Iterator[Place]:
    """Where texts stand in the values of a TOML file."""
    if isinstance(values, Mapping):
        for key, value in values.items():
            yield from places(value, (*at, key))
    elif isinstance(values, list):
        for index, value in enumerate(values):
            yield from places(value, (*at, index))
    elif isinstance(values, str):
        yield at


def plant(text: str, at: Place, planted: str) -> str:
    """The TOML file with another text at a place."""
    top: Any = tomllib.loads(text)
    inner = top
    for step in at[:-1]:
        inner = inner[step]
    inner[at[-1]] = planted
    return toml_text(top)


def fields(folder: Path) -> Iterator[tuple[Path, Place, str]]:
    """Every text of every file of a lab, and which style of command it gets in its turn."""
    number = 0
    for name in FILES:
        path = folder / name
        for at in places(tomllib.loads(path.read_text("utf-8"))):
            yield path, at, STYLES[number % len(STYLES)]
            number += 1


def plant_wherever_it_is_accepted(bench: Bench, planted: str) -> set[str]:
    """Plant in every text where the check lets it pass; their keys."""
    accepted: set[str] = set()
    for path, at, _ in fields(bench.folder):
        before = path.read_text("utf-8")
        path.write_text(plant(before, at, planted), "utf-8")
        if at[0] in READERS or main(["check", str(bench.rack), str(bench.folder / "vectors")]):
            path.write_text(before, "utf-8")
        else:
            accepted.add(f"{path.stem}.{at[-1] if isinstance(at[-1], str) else at[-2]}")
    return accepted


def test_a_board_says_its_serial_number_and_does_not_run_it(canary: Path) -> None:
    planted = f"{BREAKS_OUT.format(canary=canary)} {'long ' * 200}"
    said = f"board {planted}: own program is alive".encode()
    heard = b""
    with board(board_serial=planted) as port, serial.Serial(port, timeout=0.1) as watched:
        end = time.monotonic() + 10
        while said not in heard and time.monotonic() < end:
            heard += watched.read(4096)
    assert said in heard
    assert not canary.exists()


def test_the_check_runs_no_command_in_any_text(bench: Bench, canary: Path) -> None:
    swept = 0
    for path, at, style in fields(bench.folder):
        before = path.read_text("utf-8")
        path.write_text(plant(before, at, style.format(canary=canary)), "utf-8")
        assert main(["check", str(bench.rack), str(bench.folder / "vectors")]) in (0, 2), at
        path.write_text(before, "utf-8")
        swept += 1
    assert swept > 40
    assert not canary.exists()


def test_a_run_and_a_replay_run_no_command_in_any_text_that_is_accepted(
    bench: Bench, canary: Path
) -> None:
    planted = ALL.format(canary=canary)
    accepted = plant_wherever_it_is_accepted(bench, planted)
    assert accepted >= {"rack.board", "rack.name", "shuttle.owner", "design.title", "wader.name"}
    assert bench.run() == 0
    with Store.existing(bench.store) as store:
        record = store.latest_run()
    path = bench.folder / "b.zip"
    path.write_bytes(make_bundle(record, "SP2-0001", places=Places(below=bench.folder)).data)
    files, slot = unpack(path), f"{INPUTS}/slot.toml"
    again = tomllib.loads(files[slot].decode()) | {"board": planted}
    path.write_bytes(pack(files | {slot: toml_text(again).encode()}, path))
    replay(path)
    assert not canary.exists()
    sweep_inputs(files, path, canary)


def sweep_inputs(files: Mapping[str, bytes], path: Path, canary: Path) -> None:
    """Plant in each text of a bundle's inputs, one at a time, and have them read."""
    inputs = {n.removeprefix(f"{INPUTS}/"): d for n, d in files.items() if n.startswith(INPUTS)}
    settings = [name for name in inputs if name.endswith(".toml")]
    assert len(settings) == 4
    number = 0
    for name in settings:
        for at in places(tomllib.loads(inputs[name].decode())):
            style = STYLES[number % len(STYLES)].format(canary=canary)
            folder, number = path.parent / f"laid{number}", number + 1
            changed = plant(inputs[name].decode(), at, style).encode()
            with suppress(HarnessError):
                lay_out(inputs | {name: changed}, folder, path)
    assert number > 40
    assert not canary.exists()
