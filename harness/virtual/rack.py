"""A virtual rack for its user: a context with one port for each slot."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import IO, Any, Protocol, Self

from harness.errors import VirtualError
from harness.virtual.interpreter import STAND_IN
from harness.virtual.spec import SEAT, VirtualBoardSpec, to_json


def seat_virtual_chip(switch: str) -> None:
    """Seat a virtual board's chip again, by the board's switch; its power goes off and on."""
    Path(switch).write_bytes(SEAT)


class BoardsProcess(Protocol):
    """A process that serves virtual boards, as :mod:`harness.virtual.server` says."""

    @property
    def stdin(self) -> IO[str] | None:
        """Where the specs of the boards go; the process ends when this is closed."""

    @property
    def stdout(self) -> IO[str] | None:
        """Where its answers come from."""

    def wait(self, timeout: float | None = None) -> int:
        """Wait for its end; raises subprocess.TimeoutExpired."""

    def kill(self) -> None:
        """End it at once."""


def start_process() -> BoardsProcess:
    """Start a process of this Python that serves virtual boards."""
    # -P: no module of the current folder, which may be a stranger's, is loaded instead.
    command = [sys.executable, "-P", "-m", "harness.virtual.server"]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)


class VirtualRack:
    """Virtual boards in a process of their own. ``ports`` maps slot names to serial URLs.

    ``nominal_volts`` asks for a virtual bench supply that feeds all chips, and is the voltage at
    which their slow paths have the limits of the specs; ``supply`` is its port then.
    ``switches`` maps them to named pipes: writing into one cycles that board's power.
    ``interpreter`` says in words what the boards run; ``launch`` starts their process. Raises
    VirtualError when a board cannot be made; the boards end with the context.
    """

    def __init__(
        self,
        specs: Sequence[VirtualBoardSpec],
        nominal_volts: float | None = None,
        launch: Callable[[], BoardsProcess] = start_process,
    ) -> None:
        self._launch = launch
        self._specs = tuple(specs)
        self._nominal_volts = nominal_volts
        self._process: BoardsProcess | None = None
        self.ports: dict[str, str] = {}
        self.switches: dict[str, str] = {}
        self.supply = ""
        self.interpreter = ""

    def __enter__(self) -> Self:
        """Start the boards."""
        self._process = self._launch()
        try:
            answer = self._ask(self._process)
        except BaseException:
            self._end()
            raise
        if "ports" not in answer:
            self._end()
            why = answer.get("error", "its process ended at once")
            raise VirtualError(f"the virtual rack cannot be started: {why}")
        self.ports = answer["ports"]
        self.switches = answer["switches"]
        self.supply = answer["supply"]
        self.interpreter = answer["interpreter"]
        return self

    @property
    def remark(self) -> str:
        """A remark for people about these boards; empty if there is none."""
        return f"virtual boards: {self.interpreter}" if self.interpreter == STAND_IN.about else ""

    def __exit__(self, *_: object) -> None:
        """Stop the boards."""
        self._end()

    def _ask(self, process: BoardsProcess) -> dict[str, Any]:
        """Ask for the boards; gives the answer, empty if the process is gone."""
        assert process.stdin is not None
        assert process.stdout is not None
        with suppress(BrokenPipeError):
            process.stdin.write(to_json(self._specs, self._nominal_volts) + "\n")
            process.stdin.flush()
        answer: dict[str, Any] = json.loads(process.stdout.readline() or "{}")
        return answer

    def _end(self) -> None:
        process = self._process
        if process is None:
            return
        assert process.stdin is not None
        assert process.stdout is not None
        with process.stdout:
            with suppress(BrokenPipeError):
                process.stdin.close()
            try:
                process.wait(timeout=5.0)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
        self._process = None
