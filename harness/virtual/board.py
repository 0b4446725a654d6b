"""One virtual board: an interpreter on a pseudo-terminal, a chip model behind its pins, a wire.

The host opens ``port``. Three threads serve a board: the wire, the chip, and one that starts
the interpreter again after each soft reset and each power-up.
"""

from __future__ import annotations

import os
import select
import socket
import subprocess
import tempfile
import threading
import time
import tty
from pathlib import Path

from harness.board import load_profile
from harness.shuttle import load_shuttle
from harness.virtual import interpreter
from harness.virtual.chip import ChipModel
from harness.virtual.chip_server import ChipServer
from harness.virtual.faults import OpenPin, Unplug
from harness.virtual.spec import VirtualBoardSpec
from harness.virtual.wire import LinkSpoiler, Unplugged, carry

FAILED_STARTS = 5
"""Number of failures in a row after which an interpreter is not started again."""
OFF_SECONDS = 0.2
SAYS_UP = "print()\n"
"""Runs before the board's own program: prints a word that shows that the board is up."""
LOOK_SECONDS = 0.1


class VirtualBoard:
    """A board that runs from ``start`` to ``stop``.

    ``port`` is what a host opens, ``about`` describes the interpreter. ``switch`` is
    a named pipe: :data:`~harness.virtual.spec.SEAT` written to it seats the chip again, and
    anything else cycles the board's power.
    """

    def __init__(self, spec: VirtualBoardSpec) -> None:
        self.spec = spec
        self._shuttle = load_shuttle(spec.shuttle_path)
        self._profile = load_profile(spec.profile_path, self._shuttle)
        self._board_faults = spec.board_faults
        self._speed = 1.0
        self._model = self._new_chip()
        self._folder = tempfile.TemporaryDirectory(prefix="virtual-board-")
        outside = Path(self._folder.name)
        self._inside = outside / "files"
        self._inside.mkdir()
        self.switch = outside / "power"
        os.mkfifo(self.switch)
        self._link = outside / "port"
        self._host, self._slaves = -1, list[int]()
        self.port = self._plug_in()
        if any(isinstance(fault, Unplug) and fault.back_after_s for fault in spec.link_faults):
            self.port = str(self._link)  # the only name that a later terminal can have too
        self._board, self._board_slave, self._terminal = interpreter.terminal()
        chosen = interpreter.STAND_IN if spec.stand_in else interpreter.find(spec.heap)
        self.about = chosen.about
        self._command = interpreter.command(chosen, SAYS_UP + spec.program, spec.board_serial)
        self._spoiler = LinkSpoiler(spec.link_faults)
        self._process: subprocess.Popen[bytes] | None = None
        self._starting = threading.Lock()
        self._powered = threading.Event()
        self._stopping = threading.Event()
        self._up = threading.Event()

    def warm_up(self) -> None:
        """Load the kernel before a host waits for its first answer, on a chip that nobody gets."""
        self._new_chip().run_until(0, 0, 0, 0, 0, 1)

    def start(self) -> None:
        """Power the board up."""
        self._powered.set()
        for work in (self._serve_wire, self._keep_running):
            threading.Thread(target=work, daemon=True).start()

    def wait_until_up(self) -> None:
        """Wait until the interpreter runs or has failed for good."""
        self._up.wait()

    def stop(self) -> None:
        """Power the board down."""
        self._stopping.set()
        self._up.set()
        self._cut_power()
        self._folder.cleanup()

    def cycle_power(self) -> None:
        """Switch the power of board and chip off and on."""
        self._cut_power()
        time.sleep(OFF_SECONDS)
        self._give_power()

    def seat_chip(self) -> None:
        """Seat the chip again, power off: pins that were only loose reach it from now on."""
        faults = self._board_faults
        self._board_faults = tuple(
            fault for fault in faults if not (isinstance(fault, OpenPin) and fault.loose)
        )
        self.cycle_power()

    def set_speed(self, speed: float) -> None:
        """Make the chip as fast as its supply voltage allows; see ``speed``."""
        self._speed = speed
        self._model.set_speed(speed)

    def _cut_power(self) -> None:
        with self._starting:
            self._powered.clear()
            if self._process is not None:
                self._process.kill()
                self._process.wait()

    def _give_power(self) -> None:
        self._model = self._new_chip()
        interpreter.refresh(self._board_slave)
        self._spoiler.power_on()
        self._powered.set()

    def _new_chip(self) -> ChipModel:
        """Make the chip in its power-up state."""
        spec = self.spec
        select = self._profile.select
        faults = self._board_faults
        model = ChipModel(self._shuttle, select, spec.chip_serial, spec.defects, faults)
        model.set_speed(self._speed)
        return model

    def _readings(self) -> dict[int, int]:
        """What the board's sensors read, by controller pin."""
        sensor, current = self._profile.supply_sensor, self.spec.drawn_ma
        if sensor is None or current is None:
            return {}
        return {sensor.pin: sensor.reading(current)}

    def _plug_in(self) -> str:
        """Make a terminal for the host; earlier ones stay open so that no name is used twice."""
        self._host, slave = os.openpty()
        tty.setraw(slave)
        self._slaves.append(slave)
        self._link.symlink_to(os.ttyname(slave))
        return os.ttyname(slave)

    def _come_up(self) -> None:
        """Wait for the interpreter's first word; before it, a host would find a dead board."""
        while not self._up.is_set() and not self._stopping.is_set():
            said, _, _ = select.select([self._board], [], [], LOOK_SECONDS)
            if said:
                self._up.set()

    def _serve_wire(self) -> None:
        self._come_up()
        while True:
            try:
                carry(self._host, self._board, self._spoiler, self.spec.baud)
            except Unplugged as out:
                self._link.unlink(missing_ok=True)
                os.close(self._host)
                if not out.back_after_s:
                    return
                self._cut_power()
                if self._stopping.wait(out.back_after_s):
                    return
                self._up.clear()
                self._give_power()
                self._come_up()
                self._plug_in()
            except OSError:
                return
            else:
                return

    def _keep_running(self) -> None:
        failures = 0
        while failures < FAILED_STARTS:
            self._powered.wait()
            ours, theirs = socket.socketpair()
            server = ChipServer(ours, self._model, self.spec.board_serial, self._readings())
            threading.Thread(target=server.serve, daemon=True).start()
            process = self._start(theirs.fileno())
            theirs.close()
            ended = process.wait() if process is not None else 0
            ours.close()
            if self._stopping.is_set():
                return
            failures = failures + 1 if ended and self._powered.is_set() else 0
        self._up.set()  # it never will be: nobody need wait

    def _start(self, chip: int) -> subprocess.Popen[bytes] | None:
        """Start the interpreter unless the power is off."""
        with self._starting:
            if not self._powered.is_set():
                return None
            self._process = interpreter.start(self._command, self._inside, self._terminal, chip)
            return self._process
