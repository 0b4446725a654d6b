"""The only access to files and folders that a user, or a file of a user, names.

One rule: no path can crash or block the tool or exhaust its memory. Only regular files are opened,
their size is checked before they are read, and every refusal of the file system is a finding with
its place. No other module asks the file system about a path that it was given.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO

from harness.errors import FileUnusable, Finding, Location

MAX_SETTINGS_BYTES = 4_000_000
"""A settings file beyond this size is data under a wrong name."""

MAX_TABLE_BYTES = 1_000_000_000
"""Maximum size of a table in text, which is read block by block."""

MAX_SHEET_BYTES = 32_000_000
"""Maximum size of a spreadsheet, packed and unpacked: libraries keep all of it in memory."""

MAX_NETLIST_BYTES = 16_000_000
MAX_RECORD_BYTES = 256_000_000
"""Maximum size of a journal or of a run in JSON, which the tool wrote itself."""

MAX_ENTRIES = 200_000
"""Maximum number of names that are looked at below one folder."""

OPEN_END = (
    "the last line does not end with a line break, so the file may be cut off",
    "check whether anything is missing, then add a line break",
)
"""Message and advice for a text without a line break at its end."""

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
    getattr(os, "O_NONBLOCK", 0)  # opening a pipe without a writer would block for ever
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

    Reading may still raise OSError; the file may grow in the meantime.
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
    """Open a regular file for appending; creates it and its folder. Raises OSError."""
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


def write_whole(path: Path, chunks: Iterable[bytes]) -> None:
    """Write a file whole or not at all, also over one that is there. Raises OSError, ValueError."""
    handle, name = tempfile.mkstemp(dir=path.parent, prefix=".", suffix=".part")
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.writelines(chunks)
            stream.flush()
            os.fsync(stream.fileno())
        part.chmod(0o644)
        part.replace(path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def check_file(path: Path) -> None:
    """Raise FileUnusable unless this is a regular file of any size."""
    with _refusing(path):
        _check(path, path.stat(), None)


def is_file(path: Path) -> bool:
    """Tell whether this is a regular file; False if the file system refuses to say."""
    return os.path.isfile(path)  # noqa: PTH113 - pathlib's raises


def is_folder(path: Path) -> bool:
    """Tell whether this is a folder; False if the file system refuses to say."""
    return os.path.isdir(path)  # noqa: PTH112 - pathlib's raises


def is_there(path: Path) -> bool:
    """Tell whether the path exists; False if the file system refuses to say."""
    return os.path.exists(path)  # noqa: PTH110 - pathlib's raises


def whole_path(path: Path) -> Path:
    """Return the absolute path, with links resolved as far as possible. Never raises."""
    try:
        return path.resolve()
    except (OSError, RuntimeError, ValueError):
        return Path(os.path.normpath(Path(os.sep) / path))


def is_inside(path: Path, folder: Path) -> bool:
    """Tell whether a path, with its links resolved, is in a folder or below it."""
    return whole_path(path).is_relative_to(whole_path(folder))


def file_sum(path: Path, max_bytes: int) -> str:
    """Return the SHA-256 of a file in hex. Raises FileUnusable."""
    return hashlib.sha256(read_file(path, max_bytes)).hexdigest()


def names_below(folder: Path, skipped: frozenset[str] = frozenset()) -> Iterator[Path]:
    """Yield every regular file below a folder, without following links to folders.

    Hidden files and folders are left out, and so are folders named in ``skipped``.
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
    """Return the sorted paths in a folder with this suffix; none if the folder does not exist.

    Raises FileUnusable if the file system refuses.
    """
    with _refusing(folder), suppress(FileNotFoundError):
        return sorted(path for path in folder.iterdir() if path.name.endswith(suffix))
    return []


def finding_at(error: FileUnusable, place: Location, name: str) -> Finding:
    """Return the finding about a file at the place where its name is written."""
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
    """Raise FileUnusable for every refusal of the file system."""
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
