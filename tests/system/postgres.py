"""A real PostgreSQL server for the tests, started in a folder of its own."""

from __future__ import annotations

import os
import pwd
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

PROGRAMS = ("initdb", "pg_ctl", "postgres")


def program(name: str) -> str | None:
    """Find a program of the server; Debian keeps them out of the path."""
    debian = sorted(Path("/usr/lib/postgresql").glob(f"*/bin/{name}"), reverse=True)
    return shutil.which(name) or (str(debian[0]) if debian else None)


def lacking() -> str:
    """Say why no server can be started; empty if it can."""
    missing = [name for name in PROGRAMS if program(name) is None]
    if missing:
        return f"PostgreSQL's {', '.join(missing)} is not installed (Debian package postgresql)"
    if os.geteuid() == 0 and _other_user() is None:
        return "PostgreSQL does not run as root, and there is no other user to run it as"
    return ""


@contextmanager
def server() -> Iterator[Server]:
    """A running server; its folder is removed at the end."""
    folder = Path(tempfile.mkdtemp(prefix="pg-"))
    user = _other_user() if os.geteuid() == 0 else None
    if user is not None:
        os.chown(folder, pwd.getpwnam(user).pw_uid, -1)
    made = Server(folder, user, _free_port())
    made.run("initdb", "-D", str(folder / "data"), "-A", "trust", "-U", "lab", "--no-sync")
    try:
        made.start()
        yield made
    finally:
        made.stop()
        shutil.rmtree(folder)


class Server:
    """One server that listens on this machine only."""

    def __init__(self, folder: Path, user: str | None, port: int) -> None:
        self.url = f"postgresql+psycopg://lab@127.0.0.1:{port}/postgres"
        self._folder, self._user, self._port = folder, user, port

    def start(self) -> None:
        """Start it and wait until it answers."""
        options = f"-p {self._port} -c listen_addresses=127.0.0.1 -k {self._folder}"
        log = str(self._folder / "log")
        self.run("pg_ctl", "-D", self._data, "-o", options, "-l", log, "-w", "start")

    def stop(self) -> None:
        """Stop it in spite of open connections; does nothing if it has stopped already."""
        self._call("pg_ctl", "-D", self._data, "-m", "fast", "-w", "stop")

    def run(self, name: str, *arguments: str) -> None:
        """Run one of the server's programs; fails with what it printed."""
        done = self._call(name, *arguments)
        assert done.returncode == 0, done.stdout

    def _call(self, name: str, *arguments: str) -> subprocess.CompletedProcess[str]:
        found = program(name)
        assert found is not None
        output = self._folder / "output"
        with output.open("w") as stream:  # a pipe would stay open for as long as the server runs
            done = subprocess.run(
                [found, *arguments],
                stdin=subprocess.DEVNULL,
                stdout=stream,
                stderr=subprocess.STDOUT,
                user=self._user,
                check=False,
                timeout=60,
                cwd=self._folder,
            )
        return subprocess.CompletedProcess(done.args, done.returncode, output.read_text(), "")

    @property
    def _data(self) -> str:
        return str(self._folder / "data")


def _other_user() -> str | None:
    names = {entry.pw_name for entry in pwd.getpwall()}
    return next((name for name in ("postgres", "nobody") if name in names), None)


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
        return port
