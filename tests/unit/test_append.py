"""Logs and journals go through the door as well; a full disk costs no more than them."""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from pathlib import Path
from typing import BinaryIO

import pytest

import harness.jobs.log
from harness.cli.fault_log import fault_log
from harness.door import open_to_append
from harness.errors import StoreError
from harness.intake import Journal
from harness.jobs.night import _night_log
from harness.rack import LOG, within
from harness.store import Store
from harness_reports import remove_file, write_run
from tests.unit.store.samples import heading

NO_FILE = "this is not a regular file"


def fail(folder: Path) -> None:
    with fault_log(folder):
        LOG.error("a fault")


def begin_night(folder: Path) -> None:
    with _night_log(folder) as log:
        log.write("a line")


def test_what_is_written_at_its_end_is_kept_with_what_stands_there(tmp_path: Path) -> None:
    for text in (b"one ", b"two"):
        with open_to_append(tmp_path / "new" / "log") as stream:
            stream.write(text)
    assert (tmp_path / "new" / "log").read_bytes() == b"one two"
    with pytest.raises(OSError, match="no file can have this name"):
        open_to_append(Path("a\0b"))


@pytest.mark.parametrize("reader", ["absent", "present"])
def test_a_pipe_in_the_place_of_a_log_is_refused_at_once(tmp_path: Path, reader: str) -> None:
    for name in ("night.log", "harness.log", "x.jsonl"):
        os.mkfifo(tmp_path / name)
    ends = [os.open(path, os.O_RDONLY | os.O_NONBLOCK) for path in tmp_path.iterdir()]
    if reader == "absent":
        for end in ends:
            os.close(end)
    why = NO_FILE if reader == "present" else "No such device or address"
    with pytest.raises(StoreError) as caught:
        begin_night(tmp_path)
    assert str(caught.value) == f"{tmp_path}/night.log: the log cannot be written: {why}"
    with pytest.raises(StoreError) as caught:
        Journal(tmp_path / "x.jsonl")
    fail(tmp_path)  # the fault was told where it came up
    if reader == "present":
        for end in ends:
            os.close(end)


@pytest.mark.parametrize("work", [begin_night, fail])
def test_a_full_disk_costs_the_log_and_nothing_else(
    tmp_path: Path, work: Callable[[Path], None], monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(_: Path) -> BinaryIO:
        return open("/dev/full", "ab")  # noqa: PTH123

    monkeypatch.setattr(harness.jobs.log, "open_to_append", full)
    work(tmp_path)


FOLDER = "a folder is where a file should be; name another folder"
FULL = "the disk is full; make room"


@pytest.mark.parametrize("why", [FOLDER, FULL])
def test_faults_that_the_log_cannot_take_leave_one_line_on_the_terminal(
    why: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    if why == FULL:
        full = io.FileIO("/dev/full", "ab")
        monkeypatch.setattr(harness.jobs.log, "open_to_append", lambda _: full)
    else:
        (tmp_path / "harness.log").mkdir()

    def breaks() -> None:
        raise IndexError("list index\nout of range")

    with fault_log(tmp_path):
        for slot in ("slot A1", "slot A2"):
            within(slot, breaks, lambda _: None)
    assert capsys.readouterr().err == (
        "harness: please report this fault of harness itself; "
        f"{tmp_path}/harness.log cannot be written ({why}): IndexError: list index\\nout of range\n"
    )


def test_a_line_that_the_log_of_a_night_cannot_take_is_told_of_once(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    full = io.FileIO("/dev/full", "ab")
    monkeypatch.setattr(harness.jobs.log, "open_to_append", lambda _: full)
    with _night_log(tmp_path) as log:
        log.write("run X of rack Y")
        log.write("A1  finished")
    assert log.lost == f"{tmp_path}/night.log cannot be written ({FULL}): run X of rack Y"


def test_a_name_that_no_file_can_have_cannot_be_removed_either(tmp_path: Path) -> None:
    with pytest.raises(StoreError) as caught:
        remove_file(tmp_path / "a\0b", tmp_path)
    assert str(caught.value) == (
        f"{tmp_path}: reports cannot be written (a\\x00b cannot be removed): "
        "no file can have this name"
    )


def test_a_path_in_a_complaint_about_results_steers_no_terminal(tmp_path: Path) -> None:
    (tmp_path / "file").write_bytes(b"")
    odd = tmp_path / "file" / "a\x1b[31m\nb"
    for work in (
        lambda: Store(odd / "s.sqlite"),
        lambda: write_run(heading(), odd),
        lambda: Journal(odd / "x.jsonl").finish(),
        lambda: begin_night(odd),
    ):
        with pytest.raises(StoreError) as caught:
            work()
        assert str(caught.value).startswith(f"{tmp_path}/file/a\\x1b[31m\\nb")
        assert "\n" not in str(caught.value)
    with pytest.raises(StoreError) as caught:
        write_run(heading(), Path("a\0b"))
    assert str(caught.value).endswith(": no file can have this name")
