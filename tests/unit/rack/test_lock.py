"""Locks: one run per board, and the second one hears who has it."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

from harness.errors import PortUnavailable
from harness.rack import Locks, held

HOLD = """
import sys
from pathlib import Path
from harness.rack import Locks
with Locks("run r1 of bench", Path(sys.argv[1])) as locks:
    getattr(locks, sys.argv[3])(sys.argv[2])
    print("held", flush=True)
    sys.stdin.read()
"""


def holder(folder: Path, what: str, how: str = "take") -> subprocess.Popen[str]:
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD, str(folder), what, how],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "held\n"
    return process


def end(process: subprocess.Popen[str]) -> None:
    process.kill()
    process.communicate()


def test_a_second_run_is_told_who_has_the_board_until_that_one_is_killed(tmp_path: Path) -> None:
    process = holder(tmp_path, "/dev/ttyACM0")
    try:
        with Locks("run r2", tmp_path) as locks:
            with pytest.raises(PortUnavailable) as caught:
                locks.take("/dev/ttyACM0")
            locks.take("/dev/ttyACM1")
    finally:
        end(process)
    assert re.fullmatch(
        rf"/dev/ttyACM0 is in use by run r1 of bench, process {process.pid}, since "
        r"\d{4}-\d\d-\d\d \d\d:\d\d:\d\d[+-]\d\d:\d\d; wait for it to end, or stop it",
        str(caught.value),
    )
    with Locks("run r3", tmp_path) as locks:
        locks.take("/dev/ttyACM0")


def test_one_board_under_two_names_is_one_board(tmp_path: Path) -> None:
    port, other = tmp_path / "port", tmp_path / "by-id"
    port.touch()
    other.symlink_to(port)
    with (
        Locks("run r1", tmp_path / "locks") as first,
        Locks("run r2", tmp_path / "locks") as second,
    ):
        first.take(str(port))
        first.take(str(other))
        with pytest.raises(PortUnavailable, match="in use by run r1"):
            second.take(str(other))


def test_a_slot_is_refused_the_board_of_another_and_hears_both_of_its_names(tmp_path: Path) -> None:
    host, board = os.openpty()
    device, link = os.ttyname(board), tmp_path / "usb-board-WB-01"
    link.symlink_to(device)
    try:
        with Locks("run r1", tmp_path / "locks") as locks:
            locks.seat("A1", device)
            with pytest.raises(PortUnavailable) as caught:
                locks.seat("A2", str(link))
            locks.seat("A1", str(link))
    finally:
        os.close(host)
        os.close(board)
    assert str(caught.value) == (
        f"{link} is already used by slot A1 as {device}; every slot has its own"
    )


def test_boards_that_come_back_may_have_exchanged_their_ports(tmp_path: Path) -> None:
    with Locks("run r1", tmp_path) as locks:
        locks.seat("A1", "/dev/ttyACM0")
        locks.seat("A2", "/dev/ttyACM1")
        locks.seat("A1", "/dev/ttyACM1")
        locks.seat("A2", "/dev/ttyACM0")


def test_the_end_of_a_run_gives_its_boards_back(tmp_path: Path) -> None:
    for name in ("run r1", "run r2"):
        with Locks(name, tmp_path) as locks:
            locks.take("socket://bench:4000")


def test_a_lock_that_cannot_be_made_names_its_file(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with (
        Locks("run r1", tmp_path / "file") as locks,
        pytest.raises(PortUnavailable, match="COM3 cannot be locked"),
    ):
        locks.take("COM3")


def test_a_link_in_the_place_of_a_lock_is_not_followed(tmp_path: Path) -> None:
    with Locks("run r1", tmp_path) as locks:
        locks.take("COM3")
    (lock,) = tmp_path.iterdir()
    lock.unlink()
    victim = tmp_path / "victim"
    victim.write_text("untouched")
    lock.symlink_to(victim)
    with Locks("run r1", tmp_path) as locks, pytest.raises(PortUnavailable, match="locked"):
        locks.take("COM3")
    assert victim.read_text() == "untouched"


def test_a_folder_that_is_there_keeps_its_rights_and_a_new_one_is_for_all(tmp_path: Path) -> None:
    there, new = tmp_path / "there", tmp_path / "new"
    there.mkdir(mode=0o700)
    for folder in (there, new):
        with Locks("run r1", folder) as locks:
            locks.take("COM3")
    assert (there.stat().st_mode & 0o7777, new.stat().st_mode & 0o7777) == (0o700, 0o1777)
    assert [path.stat().st_mode & 0o777 for path in new.iterdir()] == [0o666]


def test_whether_a_lock_is_held_is_told_without_taking_it(tmp_path: Path) -> None:
    assert held("run r1", tmp_path / "nothing here") is None
    process = holder(tmp_path, "run r1")
    try:
        assert held("run r1", tmp_path) is True
        assert held("run r2", tmp_path) is None
    finally:
        end(process)
    assert held("run r1", tmp_path) is False
    with Locks("run r3", tmp_path) as locks:
        locks.take("run r1")


def test_what_is_shared_cannot_be_taken_and_each_holder_is_told(tmp_path: Path) -> None:
    with (
        Locks("run r1", tmp_path) as first,
        Locks("run r2", tmp_path) as second,
        Locks("margins of bench", tmp_path) as third,
    ):
        first.share("/dev/ttyUSB0")
        first.share("/dev/ttyUSB0")
        second.share("/dev/ttyUSB0")
        with pytest.raises(PortUnavailable) as caught:
            third.take("/dev/ttyUSB0")
    since = rf"process {os.getpid()}, since \S+ \S+"
    assert re.fullmatch(
        rf"/dev/ttyUSB0 is in use by run r1, {since}; and by run r2, {since}; wait for it to end, "
        "or stop it",
        str(caught.value),
    )
    with Locks("margins of bench", tmp_path) as third:
        third.take("/dev/ttyUSB0")


def test_what_is_taken_cannot_be_shared(tmp_path: Path) -> None:
    with Locks("margins of bench", tmp_path) as first, Locks("run r2", tmp_path) as second:
        first.take("/dev/ttyUSB0")
        with pytest.raises(PortUnavailable, match="in use by margins of bench, process"):
            second.share("/dev/ttyUSB0")
    with Locks("run r2", tmp_path) as second:
        second.share("/dev/ttyUSB0")


def test_a_sharer_that_was_killed_holds_nothing_and_is_not_told(tmp_path: Path) -> None:
    process = holder(tmp_path, "COM3", "share")
    with Locks("run r2", tmp_path) as locks, Locks("run r3", tmp_path) as other:
        locks.share("COM3")
        end(process)
        with pytest.raises(PortUnavailable, match=r"^COM3 is in use by run r2, process"):
            other.take("COM3")
    with Locks("run r3", tmp_path) as other:
        other.take("COM3")
        assert held("COM3", tmp_path) is True


def test_a_run_that_shares_must_let_go_before_it_takes(tmp_path: Path) -> None:
    with Locks("run r1", tmp_path) as locks:
        locks.share("COM3")
        with pytest.raises(PortUnavailable, match="in use by run r1"):
            locks.take("COM3")
