"""Where chips are in a run of pytest: on a rack's boards, on one at a port, or in a netlist.

One rule: a board is opened when it is first needed, by one process, and stays open to the end. One
that cannot be reached is an error once; what else was to run on it is skipped.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager
from pathlib import Path

import pytest

import harness
from harness.errors import InputError, LinkError

PORT = "port"
"""The name of the place at ``--harness-port``."""
Where = harness.Shuttle | Path | None
NO_SHUTTLE = (
    "harness_chip needs a shuttle: set harness_shuttle in the pytest settings to its file, by "
    "default shuttle.toml in pytest's root folder, or give --harness-rack"
)


class Places:
    """The places of a run. ``names`` are those of boards; without any, chips are virtual."""

    def __init__(self, config: pytest.Config) -> None:
        self._config = config
        self._rack = self._loaded()
        self._port: str = config.getoption("--harness-port")
        self._open: dict[str, harness.HandledChip] = {}
        self._lost: dict[str, LinkError] = {}
        self._stack = ExitStack()
        self.names = self._names()

    def _loaded(self) -> harness.Rack | None:
        path = self._path(self._config.getoption("--harness-rack"))
        try:
            return harness.load_rack(path) if path else None
        except InputError as error:
            raise pytest.UsageError(str(error)) from error

    def _names(self) -> tuple[str, ...]:
        if self._rack is None:
            return (PORT,) if self._port else ()
        known = tuple(slot.name for slot in self._rack.slots)
        chosen: str = self._config.getoption("--harness-slots")
        wanted = tuple(part.strip() for part in chosen.split(",") if part.strip()) or known
        lost = [name for name in wanted if name not in known]
        if lost:
            message = f'no slot "{lost[0]}" in {self._rack.name}; use {", ".join(known)}'
            raise pytest.UsageError(message)
        return wanted

    def _path(self, written: str) -> Path | None:
        return self._config.invocation_params.dir / written if written else None

    def shuttle(self, setting: str) -> Path | None:
        """Return the shuttle file of the settings, else ``shuttle.toml`` if it is there.

        It is for tests that name none.
        """
        written: str = self._config.getini(setting)
        path = self._config.rootpath / (written or harness.SHUTTLE)
        return path if written or path.is_file() else None

    def why_other(self, path: Path) -> str:
        """Say why tables of a shuttle cannot run on the rack; empty if they can."""
        if self._rack is None or self._rack.shuttle.path.resolve() == path.resolve():
            return ""
        return f"{self._rack.path} is a rack of {self._rack.shuttle.path}, not of {path}"

    @contextmanager
    def handed(self, name: str, shuttle: Where) -> Iterator[harness.HandledChip]:
        """Hand out the chip of a place, no design selected; a virtual one is new each time.

        Raises what ``harness.open_chip`` raises; skips the test if an earlier one could not reach
        the board.
        """
        if not name:
            if shuttle is None:
                pytest.fail(NO_SHUTTLE, pytrace=False)
            with harness.open_chip(shuttle) as chip:
                yield chip
            return
        if name in self._lost:
            pytest.skip(f"not run: the board could not be used: {self._lost[name]}")
        try:
            if name not in self._open:
                self._open[name] = self._stack.enter_context(self._opened(name, shuttle))
            self._open[name].put_down()
            yield self._open[name]
        except LinkError as error:
            self._lost[name] = error
            raise

    def _opened(self, name: str, shuttle: Where) -> AbstractContextManager[harness.HandledChip]:
        if self._rack is not None:
            return harness.open_chip(self._rack, slot=name)
        if shuttle is None:
            pytest.fail(NO_SHUTTLE, pytrace=False)
        chip: str = self._config.getoption("--harness-chip")
        profile = self._path(self._config.getoption("--harness-profile"))
        return harness.open_chip(shuttle, port=self._port, profile=profile, chip=chip)

    def close(self) -> None:
        """Leave every board as it was found."""
        self._stack.close()
