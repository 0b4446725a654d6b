"""Ports of this computer: which is whose, what stands in the way of one, and what to do."""

from __future__ import annotations

import grp
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest
from serial.tools import list_ports

from harness.cli.app import main
from harness.errors import BoardSilent, PortUnavailable
from harness.rack import PortCheck, SerialPort, examine_port, serial_ports, who_answers
from harness.rack import ports as ports_module
from harness.rack.ports import find_port
from tests.system.virtual import board

Plug = Callable[..., None]


@pytest.fixture
def plug(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Plug:
    """Plug in ports: (device, serial number, interface), each with a name by its place."""
    folder = tmp_path / "by-path"
    folder.mkdir()
    monkeypatch.setattr(ports_module, "BY_PATH", folder)
    there: list[Any] = []
    monkeypatch.setattr(list_ports, "comports", lambda: there)

    def add(name: str, serial_number: str | None, interface: str | None = None) -> None:
        device = tmp_path / name
        device.touch()
        (folder / f"pci-0-usb-0:{len(there)}:1.0").symlink_to(device)
        (folder / f"pci-0-usbv2-0:{len(there)}:1.0").symlink_to(device)
        there.append(
            SimpleNamespace(
                device=str(device),
                description="a port",
                serial_number=serial_number,
                vid=0x2E8A,
                pid=5,
                interface=interface,
            )
        )

    return add


def test_a_board_is_found_by_its_serial_number_in_any_case(plug: Plug, tmp_path: Path) -> None:
    plug("ttyACM0", "WB-06")
    plug("ttyACM1", "wb-07")
    assert find_port("WB-07") == str(tmp_path / "ttyACM1")


def test_a_board_that_is_not_there_is_told_with_those_that_are(plug: Plug) -> None:
    plug("ttyACM0", "WB-06")
    plug("ttyUSB0", None)
    with pytest.raises(PortUnavailable) as caught:
        find_port("WB-07")
    assert str(caught.value) == (
        "no serial port has the USB serial number WB-07 (seen: WB-06); plug the board in, or "
        "write its port in the rack file; `harness ports` lists what is there"
    )


def test_two_ports_of_one_board_are_refused_with_both_names(plug: Plug, tmp_path: Path) -> None:
    plug("ttyACM0", "WB-07", "Board in FS mode")
    plug("ttyACM1", "WB-07")
    with pytest.raises(PortUnavailable) as caught:
        find_port("WB-07")
    assert str(caught.value) == (
        f"2 serial ports have the USB serial number WB-07: {tmp_path}/by-path/pci-0-usb-0:0:1.0 "
        f"(Board in FS mode) and {tmp_path}/by-path/pci-0-usb-0:1:1.0; write the one with "
        "the interpreter's prompt as port in the rack file; `harness ports --check` asks them"
    )


def test_ports_without_a_serial_number_of_their_own_are_listed_with_their_place(
    plug: Plug, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for name, number in (("ttyACM0", "WB-06"), ("ttyUSB0", None), ("x1", "twin"), ("x2", "twin")):
        plug(name, number)
    assert main(["ports"]) == 0
    said = capsys.readouterr().out
    assert [line for line in said.splitlines() if "by-path" in line] == [
        f"{tmp_path}/{name} has no serial number of its own; it is also "
        f"{tmp_path}/by-path/pci-0-usb-0:{k}:1.0"
        for name, k in (("ttyUSB0", 1), ("x1", 2), ("x2", 3))
    ]
    assert "WB-06" in said


class System:
    """A root folder with processes and udev's notes, and a port that is a pseudo-terminal."""

    def __init__(self, root: Path, device: str) -> None:
        self.root = root
        (root / "proc" / "self").mkdir(parents=True)
        self.port = SerialPort(device, "a board", "2e8a", "0005", "WB-07")
        self.asked: list[str] = []

    def process(self, number: int, name: str, *files: str) -> None:
        folder = self.root / "proc" / str(number) / "fd"
        folder.mkdir(parents=True)
        (folder.parent / "comm").write_text(f"{name}\n")
        for k, file in enumerate(files):
            (folder / str(k)).symlink_to(file)

    def rule(self, line: str) -> None:
        number = os.stat(self.port.device).st_rdev  # noqa: PTH116  a device
        notes = self.root / "run" / "udev" / "data"
        notes.mkdir(parents=True)
        (notes / f"c{os.major(number)}:{os.minor(number)}").write_text(f"I:1\n{line}\n")

    def examine(self, answer: str | Exception = "micropython 1.28.0") -> PortCheck:
        def ask(device: str) -> str:
            self.asked.append(device)
            if isinstance(answer, Exception):
                raise answer
            return answer

        return examine_port(self.port, self.root, ask)


@pytest.fixture
def system(tmp_path: Path) -> Iterator[System]:
    master, slave = os.openpty()
    yield System(tmp_path, os.ttyname(slave))
    os.close(master)
    os.close(slave)


def group(device: str) -> str:
    return grp.getgrgid(Path(device).stat().st_gid).gr_name


def test_a_free_port_is_asked_and_nothing_is_to_do(system: System) -> None:
    found = system.examine()
    assert found.access == f"yes, by group {group(system.port.device)}"
    assert (found.holder, found.manager) == ("none seen", "not running")
    assert (found.answer, found.advice) == ("micropython 1.28.0", ())


def test_a_port_that_is_held_is_not_disturbed_and_its_holder_is_named(system: System) -> None:
    system.process(41, "cat", "/dev/null")
    system.process(42, "minicom", "/dev/null", system.port.device)
    found = system.examine()
    assert (found.holder, found.answer) == ("minicom (process 42)", "not asked")
    assert found.advice == ("close minicom (process 42)",)
    assert system.asked == []


def test_a_port_of_another_group_is_not_opened(
    system: System, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "access", lambda _path, _mode: False)
    found = system.examine()
    name = group(system.port.device)
    assert (found.access, found.answer) == (f"no, by group {name}", "not asked")
    assert found.advice == (f"sudo usermod -a -G {name} $USER, then log in again",)
    assert system.asked == []


@pytest.mark.parametrize(
    ("line", "text", "advice"),
    [
        (
            "E:ID_MM_CANDIDATE=1",
            "running, and no rule keeps it away from this port: it may speak to a new board",
            ("copy ci/71-harness-boards.rules to /etc/udev/rules.d, then replug the board",),
        ),
        ("E:ID_MM_DEVICE_IGNORE=1", "running; a rule keeps it away from this port", ()),
        ("E:ID_MM_PORT_IGNORE=1", "running; a rule keeps it away from this port", ()),
    ],
)
def test_a_modem_manager_needs_a_rule(
    system: System, line: str, text: str, advice: tuple[str, ...]
) -> None:
    system.process(7, "ModemManager")
    system.rule(line)
    found = system.examine()
    assert (found.manager, found.advice) == (text, advice)


def test_a_silent_board_is_advice(system: System) -> None:
    found = system.examine(BoardSilent("the board sends nothing; check power and cable"))
    assert found.answer == "no interpreter"
    assert found.advice == ("the board sends nothing; check power and cable",)


def test_a_board_says_who_it_is_and_is_left_as_it_was() -> None:
    with board() as url:
        first = who_answers(url)
        assert who_answers(url) == first
    assert first.startswith(("micropython 1.", "cpython 3."))
    assert " on " in first


def test_every_port_has_its_paragraph(plug: Plug, capsys: pytest.CaptureFixture[str]) -> None:
    plug("ttyUSB0", None)
    (port,) = serial_ports()
    assert main(["ports", "--check"]) == 0
    said = capsys.readouterr().out
    assert f"\n{port.device}\n  may be used    yes, by group " in said
    assert "\n  answers        no interpreter\n  to do          " in said
