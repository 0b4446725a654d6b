"""The one door to files and folders that a person, or a file of somebody's, names.

One rule: nothing that stands behind a name can stop, hang or fill the tool. Only regular files
are opened, their size is asked before they are read, and whatever the file system refuses is a
finding with its place. No other module asks the file system about a name that it was given.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO

from harness.errors import FileUnusable, Finding, Location

MAX_SETTINGS_BYTES = 4_000_000
"""A settings file beyond this size is somebody's data under a wrong name."""

MAX_TABLE_BYTES = 1_000_000_000
"""Bytes of a table in text, which is read block by block."""

MAX_SHEET_BYTES = 32_000_000
"""Bytes of a spreadsheet, packed and unpacked: libraries keep all of it at once."""

MAX_NETLIST_BYTES = 16_000_000
MAX_RECORD_BYTES = 256_000_000
"""Bytes of a journal, or of a run in JSON: files that the tool wrote itself."""

MAX_ENTRIES = 200_000
"""So many names are looked at below one folder, then the search ends."""

OPEN_END = (
    "the last line does not end with a line break, so the file may be cut off",
    "check whether anything is missing, then add a line break",
)
"""What is wrong with a text whose last line does not end, and what to do."""

_REFUSED = {
    errno.ENOENT: ("no such file", "check the path"),
    errno.ENAMETOOLONG: ("the name is longer than the file system allows", "shorten it"),
    errno.ELOOP: ("the symbolic links form a loop", "name the file itself"),
    errno.ENOTDIR: ("a file is where a folder should be", "check the path"),
}
_KINDS = {
    stat.S_IFDIR: ("a folder", "name a file in it"),
    stat.S_IFIFO: ("a pipe", "name the file itself"),
    stat.S_IFSOCK: ("a socket", "name the file itself"),
    stat.S_IFCHR: ("a device", "name the file itself"),
    stat.S_IFBLK: ("a device", "name the file itself"),
}
_FLAGS = (
    getattr(os, "O_NONBLOCK", 0)  # a pipe without a writer would never let go
    | getattr(os, "O_NOCTTY", 0)
    | getattr(os, "O_CLOEXEC", 0)
    | getattr(os, "O_BINARY", 0)
)


def read_file(path: Path, max_bytes: int) -> bytes:
    """Return the bytes of a regular file of at most ``max_bytes`` bytes. Raises FileUnusable."""
    with open_file(path, max_bytes) as stream, _refusing(path):
        size = os.fstat(stream.fileno()).st_size
        data = stream.read(size + 1)
    if len(data) != size:
        message = "the file changed while it was being read"
        raise FileUnusable.of("file-unreadable", path, message, "try again")
    return data


def open_file(path: Path, max_bytes: int) -> BinaryIO:
    """Open a regular file of at most ``max_bytes`` bytes for reading. Raises FileUnusable.

    Reading may still raise OSError; the file may grow meanwhile.
    """
    with _refusing(path):
        _check(path, path.stat(), max_bytes)
        stream = os.fdopen(os.open(path, os.O_RDONLY | _FLAGS), "rb")
        try:
            status = os.fstat(stream.fileno())  # the name may lead elsewhere by now
            _check(path, status, max_bytes)
            made_up = status.st_size == 0 and stream.read(1)
        except BaseException:
            stream.close()
            raise
    if made_up:
        stream.close()
        message = "the system generates this file as it is read"
        raise FileUnusable.of("file-unreadable", path, message, "name a file on a disk")
    return stream


def open_to_append(path: Path) -> BinaryIO:
    """Open a regular file to write at its end; makes it, and its folder. Raises OSError."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | _FLAGS, 0o666)
        stream = os.fdopen(handle, "ab")
    except ValueError as trouble:
        raise OSError(errno.EINVAL, "no file can have this name") from trouble
    if not stat.S_ISREG(os.fstat(stream.fileno()).st_mode):
        stream.close()
        raise OSError(errno.EINVAL, "this is not a regular file")
    return stream


def check_file(path: Path) -> None:
    """Raise FileUnusable unless a regular file is there; its size does not matter."""
    with _refusing(path):
        _check(path, path.stat(), None)


def is_file(path: Path) -> bool:
    """Tell whether a regular file is there; False where the file system does not say."""
    return os.path.isfile(path)  # noqa: PTH113 - pathlib's raises


def is_folder(path: Path) -> bool:
    """Tell whether a folder is there; False where the file system does not say."""
    return os.path.isdir(path)  # noqa: PTH112 - pathlib's raises


def is_there(path: Path) -> bool:
    """Tell whether anything is there; False where the file system does not say."""
    return os.path.exists(path)  # noqa: PTH110 - pathlib's raises


def whole_path(path: Path) -> Path:
    """Return a path from the root, links followed as far as they lead anywhere. Never raises."""
    try:
        return path.resolve()
    except (OSError, RuntimeError, ValueError):
        return Path(os.path.normpath(Path(os.sep) / path))


def file_sum(path: Path, max_bytes: int) -> str:
    """Return the SHA-256 of a file in hex. Raises FileUnusable."""
    return hashlib.sha256(read_file(path, max_bytes)).hexdigest()


def names_below(folder: Path, skipped: frozenset[str] = frozenset()) -> Iterator[Path]:
    """Give every regular file below a folder; no link to a folder is followed.

    Hidden files and folders are left out, and folders that are called like one of ``skipped``.
    Raises FileUnusable after :data:`MAX_ENTRIES` names.
    """
    seen = 0
    for place, folders, files in os.walk(folder):
        folders[:] = sorted(n for n in folders if not n.startswith(".") and n not in skipped)
        seen += len(folders) + len(files)
        if seen > MAX_ENTRIES:
            message = f"more than {MAX_ENTRIES:,} files and folders are in this folder"
            raise FileUnusable.of("folder-too-large", folder, message, "name a subfolder")
        for name in sorted(files):
            path = Path(place) / name
            if not name.startswith(".") and is_file(path):
                yield path


def names_in(folder: Path, suffix: str) -> list[Path]:
    """Return what stands in a folder under names that end so, in order; none without a folder.

    Raises FileUnusable where the file system refuses.
    """
    with _refusing(folder), suppress(FileNotFoundError):
        return sorted(path for path in folder.iterdir() if path.name.endswith(suffix))
    return []


def finding_at(error: FileUnusable, place: Location, name: str) -> Finding:
    """Return the finding of a file at the place where somebody wrote its name."""
    message = f'"{name}": {error.finding.message}'
    return replace(error.finding, location=place, message=message)


def _check(path: Path, status: os.stat_result, max_bytes: int | None) -> None:
    if not stat.S_ISREG(status.st_mode):
        kind, advice = _KINDS.get(stat.S_IFMT(status.st_mode), ("something else", "check the path"))
        raise FileUnusable.of("file-unreadable", path, f"this is {kind}, not a file", advice)
    if max_bytes is not None and status.st_size > max_bytes:
        message = f"the file has {status.st_size:,} bytes; the limit is {max_bytes:,}"
        advice = "check that this is the file you meant"
        raise FileUnusable.of("file-too-large", path, message, advice)


@contextmanager
def _refusing(path: Path) -> Iterator[None]:
    """Raise FileUnusable for whatever the file system refuses."""
    try:
        yield
    except OSError as trouble:
        reason = trouble.strerror or str(trouble)
        other = (f"the file cannot be read: {reason}", "check its permissions and the disk")
        message, advice = _REFUSED.get(trouble.errno or 0, other)
        missing = trouble.errno == errno.ENOENT
        rule = "file-missing" if missing else "file-unreadable"
        raise FileUnusable.of(rule, path, message, advice) from trouble
    except ValueError as trouble:
        message = "no file can have this name"
        raise FileUnusable.of("file-missing", path, message, "check the path") from trouble
