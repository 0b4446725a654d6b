"""A closed output ends the talking, not the measuring; the exit code stays the verdict's."""

from __future__ import annotations

import io
import os
import select
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
from uvicorn import Server

from harness.cli import main
from harness.store import Store
from tests.unit.store.samples import NOON, chip, heading
from tests.unit.store.test_store import failing_outcome

ROOT = Path(__file__).parents[3]


@contextmanager
def shut(kind: str) -> Iterator[io.TextIOWrapper]:
    """A stream to a closed pipe, or to a full disk."""
    if kind == "full":
        handle = os.open("/dev/full", os.O_WRONLY)
    else:
        reader, handle = os.pipe()
        os.close(reader)
    yield open(handle, "w", encoding="utf-8", closefd=False)  # noqa: SIM115
    os.close(handle)


def command(name: str, folder: Path) -> tuple[list[str], int]:
    """Words of a command that says something, and its exit code."""
    run = replace(
        heading(),
        finished=NOON,
        chips=(replace(chip(), outcomes=(replace(failing_outcome(), rules="1"),)),),
    )
    path = folder / "s.sqlite"
    with Store(path) as store:
        store.start_run(run)
    kept = ["--store", str(path)]
    return {
        "check": (["check", str(ROOT / "vectors"), str(folder / "none.toml")], 2),
        "report": (["report", *kept, "--out", str(folder)], 1),
        "history": (["history", *kept, "--out", str(folder)], 0),
        "accept": (["accept", "latest", *kept], 0),
        "bundle": (["bundle", "latest", "--chip", "none", *kept], 2),
        "replay": (["replay", str(folder / "none.zip")], 2),
        "ports": (["ports"], 0),
        "help": (["run", "--help"], 0),
        "version": (["--version"], 0),
        "usage": (["run", "--none"], 2),
        "watch": (["watch", *kept, "--port", "0"], 0),
    }[name]


@pytest.mark.parametrize("kind", ["closed", "full"])
@pytest.mark.parametrize(
    "name",
    [
        "check",
        "report",
        "history",
        "accept",
        "bundle",
        "replay",
        "ports",
        "help",
        "version",
        "usage",
        "watch",
    ],
)
def test_the_exit_code_stays_whatever_becomes_of_the_outputs(
    name: str, kind: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    words, code = command(name, tmp_path)
    monkeypatch.setattr(Server, "run", lambda *_, **__: None)  # as if Ctrl-C came at once
    with shut(kind) as out, shut(kind) as err:
        monkeypatch.setattr(sys, "stdout", out)
        monkeypatch.setattr(sys, "stderr", err)
        assert main(words) == code
        sys.stdout.flush()
        sys.stderr.flush()


def test_a_process_whose_reader_leaves_has_its_own_exit_code() -> None:
    done = subprocess.run(
        f"{sys.executable} -m harness check {ROOT}/none.toml | true; exit ${{PIPESTATUS[0]}}",
        shell=True,
        executable="/bin/bash",
        stderr=subprocess.PIPE,
        check=False,
    )
    assert (done.returncode, done.stderr) == (2, b"")


def test_a_process_that_keeps_nothing_back_writes_each_piece_at_once() -> None:
    """What python -u is for: the answer to a Ctrl-C is read while the process goes on."""
    code = (
        "import sys\nfrom harness.cli.screen import ready_streams\nready_streams()\n"
        "for stream in (sys.stdout, sys.stderr):\n    stream.write('stopping: ')\n"
        "sys.stdin.read()\n"
    )
    with subprocess.Popen(
        [sys.executable, "-u", "-c", code],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    ) as process:
        assert process.stdout is not None
        assert process.stderr is not None
        for stream in (process.stdout, process.stderr):
            assert select.select((stream,), (), (), 20)[0], "held back"
            assert os.read(stream.fileno(), 99) == b"stopping: "
        process.communicate()
