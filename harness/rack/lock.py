"""Locks, so that two runs never drive the same chip, or one changes the voltage of another's.

A board is taken by one; a bench supply is shared by all who rely on its voltage, or taken by one
who changes it. One rule: a lock is a file that the operating system holds for this process. It is
gone when the process is, however that ended; the file itself stays and tells who held it last.
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
"""Where the locks of this computer are, for all of its users."""

if sys.platform == "win32":
    import msvcrt

    _AT, _SHARERS = 1 << 20, 64

    def _seize(stream: IO[str]) -> None:
        stream.seek(_AT)
        msvcrt.locking(stream.fileno(), msvcrt.LK_NBLCK, _SHARERS)
        stream.seek(0)

    def _unite(stream: IO[str]) -> None:
        """Hold one byte of those that :func:`_seize` holds all of; there are no shared locks."""
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
"""A lock that is refused is tried once more after this: :func:`held` may just be looking."""


def held(what: str, folder: Path | None = None) -> bool | None:
    """Tell whether a process of this computer holds a lock; None if none here ever took it.

    Writes nothing; for an instant it holds the lock itself if nobody else does.
    """
    path = (folder if folder is not None else FOLDER) / _file_name(real_name(what))
    careful = getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        stream = os.fdopen(os.open(path, os.O_RDONLY | careful), encoding="utf-8")
    except OSError:
        return None
    with stream:
        try:
            _seize(stream)
        except OSError:
            return True
    return False


Hold = Callable[[IO[str]], None]
_PROCESS = re.compile(r", process (\d{1,9}), since [^,]+$", re.ASCII)


class Locks:
    """The locks that one run holds; all are given back at the end of the context."""

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
        """Lock a port, or something else by its name; nothing happens if this run has it already.

        Raises PortUnavailable, naming the holder, if another process has it, or if the file
        cannot be made.
        """
        self._hold(what, _alone)

    def seat(self, slot: str, port: str) -> None:
        """Take a port for a slot.

        Raises PortUnavailable as :meth:`take` does, and for a slot's first port if another slot
        of this run has it, by whatever name. Later a slot may move to any: boards that come back
        may have exchanged their ports.
        """
        with self._guard:
            name = real_name(port)
            same = (s for s, had in self._seats.items() if real_name(had) == name)
            other = next(same, slot) if slot not in self._seats else slot
            if other != slot:
                message = (
                    f"{shown_address(port)} is already used by slot {other} as "
                    f"{shown_address(self._seats[other])}; every slot has its own"
                )
                raise PortUnavailable(message)
            self._seats[slot] = port
        self.take(port)

    def share(self, what: str) -> None:
        """Keep everybody from taking something; others may share it, and nobody is kept from that.

        Raises PortUnavailable as :meth:`take` does, also if this run has taken it itself.
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
        stream = _guarded(what, path, lambda: _opened(path))
        try:
            hold(stream)
        except OSError as error:
            stream.seek(0)
            holder = _holders(stream.read())
            stream.close()
            message = f"{what} is in use by {holder}; wait until that is over, or stop it"
            raise PortUnavailable(message) from error
        since = datetime.now().astimezone().isoformat(sep=" ", timespec="seconds")

        def sign() -> IO[str]:
            stream.seek(0, os.SEEK_END)
            stream.write(f"{self._holder}, process {os.getpid()}, since {since}\n")
            stream.flush()
            return stream

        return _guarded(what, path, sign)


def _alone(stream: IO[str]) -> None:
    """Take a lock that nobody else has; who had it before is forgotten."""
    _patiently(_seize, stream)
    stream.truncate(0)


def _together(stream: IO[str]) -> None:
    """Share a lock. The first to do so forgets who had it before."""
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
    """Say who signed a lock's file, without those whose processes are gone, if any is left."""
    lines = [line.strip() for line in signed.splitlines() if line.strip()]
    there = [line for line in lines if not any(_gone(int(n)) for n in _PROCESS.findall(line))]
    return "; and by ".join(there or lines) or "another process"


def real_name(what: str) -> str:
    """Return the one name of a port: a link to a device, as by its serial number, is the device."""
    return os.path.realpath(what) if what.startswith("/") else what


def _guarded(what: str, path: Path, action: Callable[[], IO[str]]) -> IO[str]:
    try:
        return action()
    except OSError as error:
        message = f"{what} cannot be locked ({path}: {error.strerror}); make that file writable"
        raise PortUnavailable(message) from error


def _opened(path: Path) -> IO[str]:
    """Open a lock's file, made for whoever may use the board; never follows a link.

    What is there already keeps its rights: it may be somebody else's. It is opened without
    ``O_CREAT``, for Linux refuses that for a file of another user in a folder like this.
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
    """Make a file name that a person recognises and no other port has."""
    readable = re.sub(r"[^A-Za-z0-9]+", "-", name).strip("-")[-40:]
    return f"{readable}-{hashlib.sha256(name.encode()).hexdigest()[:12]}.lock"
