"""A virtual bench supply on a pseudo-terminal of its own.

One rule: what it knows of SCPI is in ``scpi_device``; here bytes become lines.
"""

from __future__ import annotations

import os
import threading
import tty
from collections.abc import Callable

from harness.virtual.scpi_device import ScpiSupply

MAX_LINE = 1024


class VirtualSupply:
    """A supply from ``start`` to the end of the process; ``port`` is what a host opens.

    It starts at ``volts``, switched on; ``terminals`` is called with every change.
    """

    def __init__(self, volts: float, terminals: Callable[[float], None]) -> None:
        self._device = ScpiSupply(volts, terminals)
        self._own, self._slave = os.openpty()
        tty.setraw(self._slave)
        self.port = os.ttyname(self._slave)

    def start(self) -> None:
        """Start to answer."""
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        waiting = b""
        while True:
            try:
                data = os.read(self._own, 4096)
            except OSError:
                return
            *lines, waiting = (waiting + data).split(b"\n")
            waiting = waiting[-MAX_LINE:]
            for line in lines:
                reply = self._device.answer(line.decode("ascii", "replace"))
                if reply is not None:
                    os.write(self._own, reply.encode() + b"\n")
