"""One door opens every named file, and nothing behind it can stop the tool."""

from __future__ import annotations

import ast
import os
import socket
import time
from collections.abc import Callable
from pathlib import Path

import pytest

import harness
from harness.bundle import unpack
from harness.door import names_below, open_file, read_file, whole_path
from harness.errors import FileUnusable, InputError, NetlistError, StoreError
from harness.intake import Journal
from harness.jobs.check import check
from harness.netlist import load_netlist
from harness.store import Store
from harness_reports.run_json import read_run_json

MOST = 1_000


def told(path: Path) -> str:
    with pytest.raises(FileUnusable) as caught:
        read_file(path, MOST)
    assert caught.value.finding.location.path == path
    return str(caught.value).removeprefix(f"{caught.value.finding.location}: error ")


def make_long(folder: Path) -> Path:
    return folder / ("n" * 300)


def make_loop(folder: Path) -> Path:
    (folder / "loop").symlink_to(folder / "pool")
    (folder / "pool").symlink_to(folder / "loop")
    return folder / "loop"


def make_pipe(folder: Path) -> Path:
    os.mkfifo(folder / "pipe")
    return folder / "pipe"


def make_sparse(folder: Path) -> Path:
    with (folder / "sparse").open("wb") as file:
        file.truncate(3_000_000_000)
    return folder / "sparse"


def make_below_a_file(folder: Path) -> Path:
    (folder / "file").write_bytes(b"")
    return folder / "file" / "x"


ODD: dict[str, tuple[Callable[[Path], Path], str]] = {
    "missing": (
        lambda folder: folder / "none",
        "[file-missing] no such file; check the path",
    ),
    "long": (
        make_long,
        "[file-unreadable] the name is longer than the file system allows; shorten it",
    ),
    "loop": (
        make_loop,
        "[file-unreadable] the symbolic links form a loop; name the file itself",
    ),
    "below a file": (
        make_below_a_file,
        "[file-unreadable] a file is where a folder should be; check the path",
    ),
    "pipe": (make_pipe, "[file-unreadable] this is a pipe, not a file; name the file itself"),
    "folder": (
        lambda folder: folder,
        "[file-unreadable] this is a folder, not a file; name a file in it",
    ),
    "device": (
        lambda _: Path("/dev/zero"),
        "[file-unreadable] this is a device, not a file; name the file itself",
    ),
    "made up": (
        lambda _: Path("/proc/self/status"),
        "[file-unreadable] the system generates this file as it is read; name a file on a disk",
    ),
    "memory": (
        lambda _: Path("/proc/self/mem"),
        (
            "[file-unreadable] the file cannot be read: Input/output error; "
            "check its permissions and the disk"
        ),
    ),
    "sparse": (
        make_sparse,
        (
            "[file-too-large] the file has 3,000,000,000 bytes; the limit is 1,000; "
            "check that this is the file you meant"
        ),
    ),
    "nul": (lambda _: Path("a\0b"), "[file-missing] no file can have this name; check the path"),
}


@pytest.mark.parametrize("kind", ODD)
def test_what_is_no_file_to_read_is_told_with_its_place(tmp_path: Path, kind: str) -> None:
    make, expected = ODD[kind]
    assert told(make(tmp_path)) == expected


def test_a_socket_is_not_a_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)  # an address has at most 107 characters
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind("s")
        assert told(Path("s")) == (
            "[file-unreadable] this is a socket, not a file; name the file itself"
        )


def test_a_file_of_the_largest_size_is_read_whole(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_bytes(b"x" * MOST)
    assert read_file(path, MOST) == b"x" * MOST
    (tmp_path / "link").symlink_to(path)
    assert read_file(tmp_path / "link", MOST) == b"x" * MOST
    with open_file(path, MOST) as stream:
        assert stream.read(3) == b"xxx"


def test_a_break_in_a_name_does_not_split_a_finding_in_two(tmp_path: Path) -> None:
    path = tmp_path / "a\nb\x1b[31m\u2028c.toml"
    (finding,) = check([path])
    assert str(finding) == (
        f"{tmp_path}/a\\nb\\x1b[31m\\u2028c.toml: error [file-missing] no such file; check the path"
    )


def test_a_path_is_made_whole_whatever_it_leads_to(tmp_path: Path) -> None:
    loop = make_loop(tmp_path)
    assert whole_path(loop) == loop
    assert whole_path(tmp_path / ".." / tmp_path.name) == tmp_path
    assert whole_path(Path("/a/../b\0c")) == Path("/b\0c")


def test_a_folder_is_searched_without_its_links_and_hidden_parts(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in ("b/two.csv", "a/one.csv", ".git/three.csv", "runs/four.csv", "a/.five.csv"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_bytes(b"")
    (tmp_path / "a" / "back").symlink_to(tmp_path)
    make_pipe(tmp_path)
    assert [path.name for path in names_below(tmp_path, frozenset({"runs"}))] == [
        "one.csv",
        "two.csv",
    ]
    monkeypatch.setattr("harness.door.MAX_ENTRIES", 5)
    assert str(check([tmp_path])[0]).endswith(
        "error [folder-too-large] more than 5 files and folders are in this folder; "
        "name a subfolder"
    )


READERS: list[tuple[str, Callable[[Path], object]]] = [
    ("x.toml", lambda path: check([path])),
    ("x.csv", lambda path: check([path])),
    ("x.xlsx", lambda path: check([path])),
    ("x.json", lambda path: load_netlist(path, "top")),
    ("x.bench", load_netlist),
    ("x.v", load_netlist),
    ("x.zip", unpack),
    ("run.json", read_run_json),
    ("x.jsonl", Journal),
    ("x.sqlite", lambda path: Store.existing(str(path))),
]


@pytest.mark.parametrize(("name", "read"), READERS, ids=[name for name, _ in READERS])
@pytest.mark.parametrize("kind", sorted(ODD.keys() - {"missing", "folder", "below a file", "nul"}))
def test_every_reader_uses_the_door(
    tmp_path: Path, name: str, read: Callable[[Path], object], kind: str
) -> None:
    path = tmp_path / name
    path.symlink_to(ODD[kind][0](tmp_path))
    started = time.monotonic()
    try:
        found = read(path)
    except (InputError, NetlistError, StoreError) as error:
        found = error
    if not isinstance(found, Journal):  # of a name that leads nowhere, none was begun
        assert "\n" not in str(found)
        assert str(found) != "[]"
    assert time.monotonic() - started < 5


ALLOWED = {"door.py", "cache.py", "port.py", "ports.py", "port_check.py"}
"""The cache lists its own folder; the last three ask about the system's ports and processes.

pytest itself gives its plugin the files of the folder that it was started in, and reads them.
"""

ASKING = {"read_text", "read_bytes", "resolve", "exists", "is_file", "is_dir", "glob", "rglob"}
ASKING |= {"iterdir", "walk", "scandir", "listdir", "samefile", "expanduser"}


def test_nobody_else_asks_the_file_system_about_a_name_that_was_given() -> None:
    """Files of the package (``resources.files(…).joinpath(…)``) have no such names."""
    package = Path(harness.__file__).parent
    asking: set[str] = set()
    for source in [*package.rglob("*.py"), *(package.parent / "reports").rglob("*.py")]:
        if source.name in ALLOWED or source.parent.name in {"agent", "harness_pytest"}:
            continue
        for node in ast.walk(ast.parse(source.read_text("utf-8"))):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
                own = isinstance(node.func.value, ast.Call)  # resources.files(…).joinpath(…)
                if node.func.attr in ASKING and not own:
                    asking.add(f"{source.relative_to(package.parent)}: {node.func.attr}")
    assert asking == set()
