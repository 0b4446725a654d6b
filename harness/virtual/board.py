"""One virtual board: an interpreter on a pseudo-terminal, a chip model behind its pins, a wire.

The host opens ``port``. Three threads serve a board: the wire, the chip, and one that starts
the interpreter again after each soft reset.
"""

from __future__ import annotations

import os
import socket
import subprocess
import tempfile
import threading
import tty
from pathlib import Path

from harness.board import load_profile
from harness.shuttle import load_shuttle
from harness.virtual import interpreter
from harness.virtual.chip import ChipModel
from harness.virtual.chip_server import ChipServer
from harness.virtual.spec import VirtualBoardSpec
from harness.virtual.wire import LinkSpoiler, Unplugged, carry

FAILED_STARTS = 5
"""An interpreter that ends this often with an error, one time after the other, stays off."""


class VirtualBoard:
    """A board that runs from ``start`` to ``stop``."""

    def __init__(self, spec: VirtualBoardSpec) -> None:
        shuttle = load_shuttle(spec.shuttle_path)
        profile = load_profile(spec.profile_path, shuttle)
        self.spec = spec
        self._model = ChipModel(
            shuttle, profile.select, spec.chip_serial, spec.defects, spec.board_faults
        )
        self._host, self._host_slave = os.openpty()
        tty.setraw(self._host_slave)
        self.port = os.ttyname(self._host_slave)
        self._board, self._board_slave, self._terminal = interpreter.terminal()
        self._folder = tempfile.TemporaryDirectory(prefix="virtual-board-")
        chosen = interpreter.STAND_IN if spec.stand_in else interpreter.find()
        self._interpreter = interpreter.with_heap(chosen, spec.heap)
        self._process: subprocess.Popen[bytes] | None = None
        self._stopping = threading.Event()

    @property
    def about(self) -> str:
        """Which interpreter the board runs, in words."""
        return self._interpreter.about

    def warm_up(self) -> None:
        """Have the kernel loaded before a host waits for its first answer."""
        self._model.run_until(0, 0, 0, 0, 0, 1)

    def start(self) -> None:
        """Power the board up."""
        program = Path(self._folder.name) / "main.py"
        text = self.spec.program.replace("{serial}", self.spec.board_serial)
        program.write_text(text, encoding="utf-8")
        for work in (self._serve_wire, self._keep_running):
            threading.Thread(target=work, daemon=True).start()

    def stop(self) -> None:
        """Power the board down."""
        self._stopping.set()
        if self._process is not None:
            self._process.kill()
            self._process.wait()
        self._folder.cleanup()

    def _serve_wire(self) -> None:
        try:
            carry(self._host, self._board, LinkSpoiler(self.spec.link_faults), self.spec.baud)
        except Unplugged:
            os.close(self._host)  # the other end stays open, so that nobody gets its name anew
        except OSError:
            return

    def _keep_running(self) -> None:
        program = Path(self._folder.name) / "main.py"
        failures = 0
        while not self._stopping.is_set() and failures < FAILED_STARTS:
            ours, theirs = socket.socketpair()
            server = ChipServer(ours, self._model, self.spec.board_serial)
            threading.Thread(target=server.serve, daemon=True).start()
            self._process = interpreter.start(
                self._interpreter, program, self._terminal, theirs.fileno()
            )
            theirs.close()
            failures = failures + 1 if self._process.wait() else 0
            ours.close()
