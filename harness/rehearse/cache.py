"""Results kept from one process to the next in the user's cache, by what they were made from.

One rule: an entry is what was put there, or it is not there. What cannot be read, was changed or
cannot be written is never an error: the caller works the result out again.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

from platformdirs import user_cache_path

from harness.door import read_file
from harness.errors import FileUnusable

MAX_BYTES = 256_000_000
"""Maximum size of the folder; a process that writes exceeds it by less than an eighth."""
_SEAL = hashlib.sha256().digest_size


def key_of(*parts: str | bytes) -> str:
    """Make a key from everything that a result depends on, in this order."""
    digest = hashlib.sha256()
    for part in parts:
        data = part.encode() if isinstance(part, str) else part
        digest.update(len(data).to_bytes(8) + data)
    return digest.hexdigest()


class Cache:
    """Bytes by key in one folder; the entries used longest ago go first.

    Several processes may share a folder. ``folder`` None is the user's own.
    """

    def __init__(self, folder: Path | None = None, max_bytes: int = MAX_BYTES) -> None:
        self._folder = folder or user_cache_path("harness", appauthor=False) / "results"
        self._max_bytes = max_bytes
        self._written = max_bytes  # the first entry looks at what earlier processes left

    def get(self, key: str) -> bytes | None:
        """Return the bytes kept under a key, unchanged; None if there are none."""
        path = self._folder / key
        try:
            sealed = read_file(path, self._max_bytes)
        except FileUnusable:
            return None
        data = sealed[_SEAL:]
        if sealed[:_SEAL] != _seal(key, data):
            return None
        with suppress(OSError):
            os.utime(path)
        return data

    def put(self, key: str, data: bytes) -> None:
        """Keep bytes under a key, if they fit and the file system takes them."""
        if len(data) + _SEAL > self._max_bytes:
            return
        with suppress(OSError):
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            self._write(key, _seal(key, data) + data)
            self._written += len(data) + _SEAL
            if self._written > self._max_bytes // 8:
                self._written = 0
                self._trim()

    def _write(self, key: str, sealed: bytes) -> None:
        """Write an entry whole or not at all."""
        number, name = tempfile.mkstemp(dir=self._folder)
        try:
            with os.fdopen(number, "wb") as stream:
                stream.write(sealed)
            Path(name).replace(self._folder / key)
        except BaseException:
            Path(name).unlink(missing_ok=True)
            raise

    def _trim(self) -> None:
        """Remove the entries used longest ago until the rest fits."""
        left = sorted(self._files())
        total = sum(file.size for file in left)
        for file in left:
            if total <= self._max_bytes:
                return
            with suppress(OSError):
                file.path.unlink()
                total -= file.size

    def _files(self) -> Iterator[_File]:
        with os.scandir(self._folder) as found:
            for entry in found:
                with suppress(OSError):  # another process removed it
                    status = entry.stat(follow_symlinks=False)
                    yield _File(status.st_mtime_ns, status.st_size, Path(entry.path))


class _File(NamedTuple):
    """A file of the folder, ordered by when it was last used."""

    used: int
    size: int
    path: Path


def _seal(key: str, data: bytes) -> bytes:
    return hashlib.sha256(key.encode() + data).digest()
