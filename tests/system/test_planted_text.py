"""Text that strangers planted in every field of their files steers no terminal, in any command."""

from __future__ import annotations

import contextlib
import io
import re
import shutil
import sys
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import pytest
import uvicorn
from serial.tools import list_ports

from harness.cli import command_run, main
from harness.cli.screen import Screen

ROOT = Path(__file__).resolve().parents[2]

PLANTED = "\x1b[2J\x1b]0;mine\x07\r\x9b31m\u202e[red]:cat:"
"""Clears the screen, names the window, goes to the line's start, turns what follows around; and
what Rich, which draws our screens, would take for a colour and for a picture."""

TOML = PLANTED.encode("unicode_escape").decode().replace("\\x", "\\u00").replace("\\r", "\\u000d")

STEERING = re.compile("[\x00-\x09\x0b-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]")

SHUTTLE = f"""\
name = "Sandpiper{TOML}"
organisation = "Club{TOML}"
chip_serial = "(?s)SP.*"
designs = ["bcd7seg"]
[pins]
inputs = ["in0..in8"]
outputs = ["out0..out8"]
bidirectional = ["io0..io3"]
clock = "clk"
reset = {{ pin = "nreset", active = "low" }}
select = ["seld", "selc"]
[[waiver]]
design = "bcd7seg"
chips = ["SP3{TOML}"]
owner = "R. Ebb{TOML}"
reason = "known{TOML}"
ticket = "LT-1{TOML}"
expiry = 2099-01-01
"""
RACK = f"""\
name = "bench{TOML}"
shuttle = "shuttle.toml"
profile = "wader.toml"
"""
SLOT = """\
[[slot]]
name = "A{n}{planted}"
port = "virtual"
board = "WB{n}{planted}"
chip = "SP{n}{planted}"
"""
DEFECT = """\
[[slot.defect]]
kind = "net-stuck"
design = "bcd7seg"
net = "rbo_n"
level = 1
"""


@dataclass(frozen=True)
class Lab:
    """Files with something planted in every text."""

    folder: Path

    @property
    def rack(self) -> str:
        return str(self.folder / "rack.toml")

    @property
    def store(self) -> tuple[str, str]:
        return "--store", str(self.folder / "s.sqlite")

    @property
    def out(self) -> tuple[str, str]:
        return "--out", str(self.folder / "runs")


@pytest.fixture(scope="module")
def lab(tmp_path_factory: pytest.TempPathFactory) -> Lab:
    folder = tmp_path_factory.mktemp("lab") / f"lab{PLANTED}"
    folder.mkdir()
    shutil.copytree(ROOT / "vectors/bcd7seg", folder / "bcd7seg")
    design = folder / "bcd7seg/design.toml"
    text = design.read_text("utf-8")
    for key in ("title", "author", "source"):
        text = re.sub(
            f'^{key} = ".*"', lambda m: f'{m.group()[:-1]}{TOML}"', text, flags=re.MULTILINE
        )
    design.write_text(text, "utf-8")
    table = folder / "bcd7seg/function.csv"
    for word in ("digit 0", "digit 1", "does not matter"):
        rows = table.read_text("utf-8").replace(word, f"{word}{PLANTED.replace(chr(13), '')}")
        table.write_text(rows, "utf-8")
    shutil.copy(ROOT / "ci/wader.toml", folder / "wader.toml")
    profile = folder / "wader.toml"
    profile.write_text(profile.read_text("utf-8").replace('name = "Wader', f'name = "Wader{TOML}'))
    (folder / "shuttle.toml").write_text(SHUTTLE, "utf-8")
    slots = [SLOT.format(n=n, planted=TOML) for n in (1, 2, 3)]
    (folder / "rack.toml").write_text(RACK + slots[0] + slots[1] + DEFECT + slots[2] + DEFECT)
    return Lab(folder)


@pytest.fixture(scope="module")
def told(lab: Lab) -> str:
    """What a run of the lab says."""
    with contextlib.redirect_stdout(io.StringIO()) as out:
        assert main(["run", lab.rack, *lab.store, *lab.out]) == 1
    return out.getvalue()


@pytest.fixture
def ran(lab: Lab, told: str) -> Lab:
    """The lab after the run."""
    assert told
    return lab


Said = pytest.CaptureFixture[str]


def steers_nothing(said: Said) -> str:
    """Return what a command has said, when nothing in it steers a terminal."""
    told = said.readouterr()
    assert not STEERING.search(told.out + told.err)
    return told.out + told.err


def test_a_run_tells_what_was_planted_and_obeys_nothing(told: str) -> None:
    assert not STEERING.search(told)
    for planted in ("SP2", "R. Ebb"):
        assert f"{planted}\\x1b[2J\\x1b]0;mine\\x07" in told
    assert "\\u202e[red]:cat:" in told


def test_a_live_display_moves_the_cursor_only_by_itself(
    lab: Lab, monkeypatch: pytest.MonkeyPatch
) -> None:
    file = io.StringIO()
    screen = Screen(file=file, force_terminal=True, color_system=None, width=300)
    monkeypatch.setattr(command_run, "console", lambda: screen)
    assert main(["run", lab.rack, *lab.store, *lab.out]) == 1
    told = file.getvalue()
    assert "SP1\\x1b[2J" in told
    assert "\x1b[2J" not in told
    moves = re.compile(r"\r?\x1b\[\??[0-9]*[A-Khl]")  # ECMA-48: CUU, EL, SM and RM, as Rich sends
    assert not STEERING.search(moves.sub("", told).replace("\r\n", "\n"))


@pytest.mark.parametrize(
    "words",
    [
        "check {folder} {rack}",
        "report {store} {out}",
        "accept latest --reason {planted} {store}",
        "history {store} {out}",
        "bundle latest --chip {chip} --rack {rack} --shuttle {folder}/shuttle.toml {store}",
        "margin {rack} --slots A1* {store} {out}",
        "nightly {rack} {store} {out}",
        "watch --port 0 {store}",
        "ports",
        "report {planted} {store}",
        "bundle latest --chip {planted} {store}",
        "replay {planted}.zip",
        "run {rack} --designs {planted}",
        "run {rack} --{planted}",
        "{planted}",
    ],
)
def test_a_command_tells_what_was_planted_and_obeys_nothing(
    ran: Lab, words: str, capsys: Said, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(uvicorn.Server, "run", lambda _, sockets: sockets)
    port = SimpleNamespace(device="/dev/tty0", description=PLANTED, serial_number=PLANTED)
    port.vid, port.pid, port.interface = 1, 2, PLANTED
    monkeypatch.setattr(list_ports, "comports", lambda: [port])
    known = {
        "folder": [str(ran.folder)],
        "rack": [ran.rack],
        "store": ran.store,
        "out": ran.out,
        "chip": [f"SP2{PLANTED}"],
        "planted": [PLANTED],
    }
    arguments: list[str] = []
    for word in words.split():
        found = re.fullmatch(r"\{(store|out)\}", word)
        plain = {name: values[0] for name, values in known.items()}
        arguments += known[found.group(1)] if found else [word.format(**plain)]
    main(arguments)
    assert steers_nothing(capsys)


def test_a_bundle_of_a_stranger_is_replayed(ran: Lab, capsys: Said, tmp_path: Path) -> None:
    out = tmp_path / "b.zip"
    files = ["--rack", ran.rack, "--shuttle", str(ran.folder / "shuttle.toml")]
    files += ["--profile", str(ran.folder / "wader.toml")]
    chip = ["--chip", f"SP2{PLANTED}"]
    assert main(["bundle", "latest", *chip, *files, *ran.store, "--out", str(out)]) == 0
    assert main(["replay", str(out)]) == 1
    assert "1 same failure" in steers_nothing(capsys)


def test_an_intake_asks_without_obeying(
    ran: Lab, capsys: Said, monkeypatch: pytest.MonkeyPatch
) -> None:
    answers = ["yes"] * 5 + ["42", "continue", f"SP1{PLANTED}"] + ["skip", "because"] * 4
    monkeypatch.setattr(sys, "stdin", io.StringIO("\n".join(answers)))
    main(["intake", ran.rack, "--by", PLANTED, *ran.store, *ran.out])
    assert "SP1\\x1b[2J" in steers_nothing(capsys)


def test_a_broken_table_is_told_without_obeying(ran: Lab, capsys: Said, tmp_path: Path) -> None:
    folder = shutil.copytree(ran.folder, tmp_path / "copy")
    table = folder / "bcd7seg/function.csv"
    planted = PLANTED.replace("\r", "")
    table.write_text(f"bcd,{planted}\n1,{planted}\n", "utf-8")
    for files in (["check", str(folder)], ["run", str(folder / "rack.toml"), *ran.store, *ran.out]):
        assert main(files) == 2
        assert "\\x1b]0;mine" in steers_nothing(capsys)
