"""Files whole or not at all, and errors that say which folder and why."""

from __future__ import annotations

import errno
import os
import resource
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from lxml import html

from harness.errors import StoreError
from harness.records import ChipOfRun, RunRecord
from harness_reports import PartOfRun, WrittenReports, read_run_json, run_file, write_run
from tests.unit.reports.samples import chip, failed, hostile_run, long_chip, run_of, sample_run


def _all(written: WrittenReports) -> set[Path]:
    chips = {path for c in written.chips for path in (c.html, c.junit, *c.waveforms)}
    return {written.index, written.json, written.junit, *written.designs} | chips


def _found(folder: Path) -> set[Path]:
    return {path for path in folder.rglob("*") if path.is_file()}


def test_what_is_told_is_what_is_there(tmp_path: Path) -> None:
    written = write_run(sample_run(), tmp_path / "runs" / "r1")
    assert _found(tmp_path) == _all(written)
    assert len(written.chips) == 6
    assert [len(c.waveforms) for c in written.chips] == [0, 0, 3, 1, 1, 0]
    assert read_run_json(written.json) == sample_run()


@pytest.mark.parametrize(
    "run", [sample_run(), hostile_run(), run_of(), replace(run_of(), chips=())]
)
def test_each_file_comes_on_demand_as_it_is_written(run: RunRecord, tmp_path: Path) -> None:
    written = write_run(run, tmp_path)
    for path in _all(written):
        file = run_file(run, path.relative_to(tmp_path).as_posix())
        assert file is not None
        assert b"".join(file.pieces) == path.read_bytes()


def test_what_is_read_in_part_is_enough_for_its_files_and_makes_no_others(tmp_path: Path) -> None:
    run = sample_run()
    written = write_run(run, tmp_path)
    parts: list[PartOfRun] = [run.overview, *run.designs]
    parts += [
        ChipOfRun(**vars(run) | {"chip": chip, "not_passed": run.not_passed}) for chip in run.chips
    ]
    made = {}
    for part in parts:
        for path in _all(written):
            file = run_file(part, path.relative_to(tmp_path).as_posix())
            if file is not None:
                made[path] = b"".join(file.pieces)
    assert made == {path: path.read_bytes() for path in made}
    assert set(made) == _all(written) - {written.json, written.junit}


def test_attachments_are_named_from_where_the_tool_was_started(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """CI services look below the folder of the job; a path from the root would tell whose it is."""
    monkeypatch.chdir(tmp_path)
    for folder in (Path("runs/r1"), tmp_path / "runs" / "r1", Path("../elsewhere")):
        written = write_run(sample_run(), folder)
        texts = [path.read_text() for path in (written.junit, *(c.junit for c in written.chips))]
        named = {line[13:-2] for text in texts for line in text.splitlines() if line[:2] == "[["}
        below = "" if folder.parts[0] == ".." else "runs/r1/"
        waves = [path for one in written.chips for path in one.waveforms]
        relative = {path.relative_to(written.folder).as_posix() for path in waves}
        assert {name.partition("]]")[0] for name in named} == {below + name for name in relative}


def test_writing_again_replaces(tmp_path: Path) -> None:
    write_run(run_of(), tmp_path)
    written = write_run(sample_run(), tmp_path)
    assert read_run_json(written.json) == sample_run()
    assert _found(tmp_path) == _all(written)


@pytest.mark.parametrize("run", [sample_run(), run_of(long_chip()), hostile_run(), run_of()])
def test_every_link_resolves(run: RunRecord, tmp_path: Path) -> None:
    written = write_run(run, tmp_path / "out")
    pages = {page.resolve() for page in _all(written) if page.suffix == ".html"}
    trees = {page: html.fromstring(page.read_bytes()) for page in pages}
    places = {page: set(tree.xpath("//@id")) for page, tree in trees.items()}
    files = {path.resolve() for path in _all(written)}
    for page, tree in trees.items():
        for _, name, link, _ in tree.iterlinks():
            if link != "data:,":
                file, _, place = link.partition("#")
                target = (page.parent / file).resolve() if file else page
                assert name == "href"
                assert target in files, (page.name, link)
                assert not place or place in places[target], (page.name, link)


def test_nothing_leaves_the_folder_whatever_the_serial(tmp_path: Path) -> None:
    record = run_of(chip("A1", "../../../evil", failed("../..", "/etc/x")), chip("A2", ".."))
    write_run(record, tmp_path / "out")
    inside = (tmp_path / "out").resolve()
    assert all(path.resolve().is_relative_to(inside) for path in _found(tmp_path))


def test_a_file_in_the_way_of_the_folder_is_named(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("mine", encoding="ascii")
    with pytest.raises(StoreError, match=r"taken: reports cannot be written .*a file is where"):
        write_run(sample_run(), tmp_path / "taken")
    assert (tmp_path / "taken").read_text(encoding="ascii") == "mine"


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_without_permission_is_named(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(StoreError, match="not writable"):
            write_run(sample_run(), tmp_path / "out")
    finally:
        tmp_path.chmod(0o700)


@contextmanager
def _largest_file(size: int) -> Iterator[None]:
    """Let the system refuse larger files, as a full disk refuses to take more."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))


def test_a_write_that_fails_half_way_leaves_the_old_file_whole(tmp_path: Path) -> None:
    written = write_run(sample_run(), tmp_path)
    before = written.json.read_bytes()
    with _largest_file(4096), pytest.raises(StoreError, match="larger than the system allows"):
        write_run(run_of(long_chip()), tmp_path)
    assert written.json.read_bytes() == before
    assert not list(tmp_path.rglob("*.part"))


@pytest.mark.parametrize(
    ("code", "told"),
    [
        (errno.ENOSPC, "the disk is full; make room and write the reports again"),
        (errno.EROFS, "the file system is read-only; name another folder"),
        (errno.EACCES, "the folder is not writable; change its permissions or name another"),
        (errno.EIO, os.strerror(errno.EIO)),
    ],
)
def test_the_reason_is_told(
    code: int, told: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(handle: int) -> None:
        raise OSError(code, os.strerror(code))

    monkeypatch.setattr(os, "fsync", refuse)
    with pytest.raises(StoreError) as caught:
        write_run(sample_run(), tmp_path)
    assert str(caught.value) == f"{tmp_path}: reports cannot be written (run.json): {told}"
    assert _found(tmp_path) == set()
