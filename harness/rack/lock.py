"""Locks, so that two runs never drive the same chip and none changes the voltage of another.

A board is locked by one run; a bench supply is shared by all runs that rely on its voltage, or
locked by one that changes it. One rule: a lock is a file that the operating system locks for this
process. The lock ends with the process, the file stays and names the last holder.
"""

from __future__ import annotations

import hashlib
import os
import re
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import IO, Self

from harness.errors import PortUnavailable
from harness.link import shown_address

FOLDER = Path(tempfile.gettempdir()) / "harness-locks"
"""The folder of this computer's locks, for all users."""

if sys.platform == "win32":
    import msvcrt

    # msvcrt locks are mandatory: lock bytes far behind the text, so that others can read it
    _AT, _SHARERS = 1 << 20, 64

    def _seize(stream: IO[str]) -> None:
        stream.seek(_AT)
        msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, _SHARERS)
        stream.seek(0)

    def _unite(stream: IO[str]) -> None:
        """Lock one of the bytes that :func:`_seize` locks: Windows has no shared locks here."""
        with suppress(OSError):
            stream.seek(_AT)
            msvcrt.locking(stream.fileno(), msvcrt.LK_UNLCK, _SHARERS)
        for number in range(_SHARERS):
            stream.seek(_AT + number)
            with suppress(OSError):
                msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, 1)
                stream.seek(0)
                return
        raise PermissionError

    def _gone(process: int) -> bool:
        del process
        return False
else:
    import fcntl

    def _seize(stream: IO[str]) -> None:
        fcntl.flock(stream.fileno(), fcntl.LOCK_EX | fcntl.LOCK_NB)

    def _unite(stream: IO[str]) -> None:
        fcntl.flock(stream.fileno(), fcntl.LOCK_SH | fcntl.LOCK_NB)

    def _gone(process: int) -> bool:
        try:
            os.kill(process, 0)
        except ProcessLookupError:
            return True
        except OSError:
            return False
        return False


RETRY_SECONDS = 0.02
"""Delay before a refused lock is tried once more: :func:`held` may hold it for an instant."""


def held(what: str, folder: Path | None = None) -> bool | None:
    """Return whether a process of this computer holds a lock; None if none here ever took it.

    Writes nothing; if the lock is free, this holds it for an instant.
    """
    try:
        stream = opened_carefully(lock_path(what, folder))
    except OSError:
        return None
    with stream:
        try:
            _seize(stream)
        except OSError:
            return True
    return False


def lock_path(what: str, folder: Path | None = None) -> Path:
    """Return the file of a lock."""
    return (folder if folder is not None else FOLDER) / _file_name(real_name(what))


def opened_carefully(path: Path) -> IO[str]:
    """Open a file of this folder to read it, whatever another user put there. Raises OSError."""
    careful = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    return os.fdopen(os.open(path, os.O_RDONLY | careful), encoding="utf-8")


Hold = Callable[[IO[str]], None]
_PROCESS = re.compile(r", process (\d{1,9}), since [^,]+$", re.ASCII)


class Locks:
    """The locks that one run holds; all are released at the end of the context."""

    def __init__(self, holder: str, folder: Path | None = None) -> None:
        self._holder = holder
        self._folder = folder if folder is not None else FOLDER
        self._held: dict[tuple[str, Hold], IO[str]] = {}
        self._seats: dict[str, str] = {}
        self._guard = threading.Lock()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        with self._guard:
            for stream in self._held.values():
                stream.close()
            self._held.clear()

    def take(self, what: str) -> None:
        """Lock a port, or something else by name; does nothing if this run already holds it.

        Raises PortUnavailable, naming the holder, if another process has it, or if the lock file
        cannot be made.
        """
        self._hold(what, _alone)

    def seat(self, slot: str, port: str) -> None:
        """Take a port for a slot.

        Raises PortUnavailable as :meth:`take` does, and for a slot's first port if another slot
        of this run has it under any name. Later a slot may move to any port: boards that come back
        may have exchanged theirs.
        """
        with self._guard:
            name = real_name(port)
            same = (s for s, had in self._seats.items() if real_name(had) == name)
            other = next(same, slot) if slot not in self._seats else slot
            if other != slot:
                raise PortUnavailable(
                    f"{shown_address(port)} is already used by slot {other} as "
                    f"{shown_address(self._seats[other])}; every slot has its own"
                )
            self._seats[slot] = port
        self.take(port)

    def share(self, what: str) -> None:
        """Share a lock: others can share it too, but nobody can take it.

        Raises PortUnavailable as :meth:`take` does, even if this run itself has taken it.
        """
        self._hold(what, _together)

    def _hold(self, what: str, hold: Hold) -> None:
        what = shown_address(what)
        name = real_name(what)
        with self._guard:
            if (name, hold) not in self._held:
                self._held[name, hold] = self._open(name, what, hold)

    def _open(self, name: str, what: str, hold: Hold) -> IO[str]:
        path = self._folder / _file_name(name)
        stream = _guarded(what, path, lambda: opened_for_all(path))
        try:
            hold(stream)
        except OSError as error:
            stream.seek(0)
            holder = _holders(stream.read())
            stream.close()
            message = f"{what} is in use by {holder}; wait for it to end, or stop it"
            raise PortUnavailable(message) from error
        since = datetime.now().astimezone().isoformat(sep=" ", timespec="seconds")

        def sign() -> IO[str]:
            stream.seek(0, os.SEEK_END)
            stream.write(f"{self._holder}, process {os.getpid()}, since {since}\n")
            stream.flush()
            return stream

        return _guarded(what, path, sign)


def _alone(stream: IO[str]) -> None:
    """Take a lock that nobody else has; earlier holders are erased."""
    _patiently(_seize, stream)
    stream.truncate(0)


def _together(stream: IO[str]) -> None:
    """Share a lock; the first to do so erases earlier holders."""
    with suppress(OSError):
        _seize(stream)
        stream.truncate(0)
    _patiently(_unite, stream)


def _patiently(seize: Hold, stream: IO[str]) -> None:
    try:
        seize(stream)
    except OSError:
        time.sleep(RETRY_SECONDS)
        seize(stream)


def _holders(signed: str) -> str:
    """Name the holders in a lock's file; those whose processes are gone only if none is left."""
    lines = [line.strip() for line in signed.splitlines() if line.strip()]
    there = [line for line in lines if not any(_gone(int(n)) for n in _PROCESS.findall(line))]
    return "; and by ".join(there or lines) or "another process"


def real_name(what: str) -> str:
    """Return the one name of a port: a link to a device becomes the device."""
    return os.path.realpath(what) if what.startswith("/") else what


def _guarded(what: str, path: Path, action: Callable[[], IO[str]]) -> IO[str]:
    try:
        return action()
    except OSError as error:
        message = f"{what} cannot be locked ({path}: {error.strerror}); make that file writable"
        raise PortUnavailable(message) from error


def opened_for_all(path: Path) -> IO[str]:
    """Open a lock's file, created for all users; never follows a link.

    An existing file keeps its permissions: it may belong to another user. It is opened without
    ``O_CREAT``, because Linux refuses that for another user's file in a sticky folder
    (``fs.protected_regular``).
    """
    with suppress(FileExistsError):
        path.parent.mkdir(parents=True)
        path.parent.chmod(0o1777)
    flags = os.O_RDWR | getattr(os, "O_NOFOLLOW", 0)
    try:
        handle = os.open(path, flags)
    except FileNotFoundError:
        with suppress(FileExistsError):
            os.close(os.open(path, flags | os.O_CREAT | os.O_EXCL, 0o666))
            path.chmod(0o666)
        handle = os.open(path, flags)
    return os.fdopen(handle, "r+", encoding="utf-8", errors="replace")


def _file_name(name: str) -> str:
    """Make a file name that is readable and unique to a port."""
    readable = re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-")[-40:]
    return f"{readable}-{hashlib.sha256(name.encode()).hexdigest()[:12]}.lock"
