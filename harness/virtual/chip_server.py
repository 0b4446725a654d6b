"""Answers the virtual pins of one board: reads their requests from a socket, asks the model.

The requests are those of ``harness.agent.pins_virtual``.
"""

from __future__ import annotations

import socket
import struct
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager

import numpy as np

from harness.agent import pins_virtual as ask
from harness.errors import VirtualError
from harness.table import Words
from harness.virtual.chip import ChipModel

HEAD = struct.Struct("<IIII")
MAX_COMPLAINT = 200
"""Maximum length of an error message, which must fit into one frame."""


class ChipServer:
    """Serves one chip model to one board until the board's end closes.

    ``readings`` maps controller pins with a sensor to what they measure, 0 to 65535.
    """

    def __init__(
        self,
        link: socket.socket,
        model: ChipModel,
        board_serial: str,
        readings: Mapping[int, int],
    ) -> None:
        self._link = link
        self._model = model
        self._serial = board_serial.encode()
        self._readings = readings
        self._does: dict[int, Callable[[int, int], None]] = {
            ask.RUN: self._run,
            ask.UNTIL_MATCH: self._until,
            ask.PERIOD: self._period,
            ask.WHO: lambda *_: self._link.sendall(
                struct.pack("<I", len(self._serial)) + self._serial
            ),
            ask.RELEASE: lambda *_: None,
            ask.MEASURE: self._measure,
        }

    def serve(self) -> None:
        """Answer until the socket closes."""
        while True:
            try:
                operation, first, _, third = HEAD.unpack(self._take(HEAD.size))
                self._does[operation](first, third)
            except (EOFError, KeyError, OSError):  # KeyError: what no agent asks
                return

    def _run(self, count: int, _: int) -> None:
        drive, enable, pulse, highz = (self._words(count) for _ in range(4))
        with self._complaining():
            seen, floating = self._model.run(drive, enable, pulse, highz)
            self._answer(seen.astype("<u4").tobytes() + floating.astype("<u4").tobytes())

    def _until(self, limit: int, _: int) -> None:
        drive, enable, pulse, expect, care = struct.unpack("<IIIII", self._take(20))
        with self._complaining():
            used, seen, matched = self._model.run_until(drive, enable, pulse, expect, care, limit)
            self._answer(struct.pack("<III", used, seen, int(matched)))

    def _answer(self, data: bytes) -> None:
        """Send what the chip did, after an error length of 0."""
        self._link.sendall(struct.pack("<I", 0) + data)

    @contextmanager
    def _complaining(self) -> Iterator[None]:
        """Send, in place of an answer, why a design cannot be evaluated."""
        try:
            yield
        except VirtualError as error:
            text = str(error)[:MAX_COMPLAINT].encode()
            self._link.sendall(struct.pack("<I", len(text)) + text)

    def _period(self, period_ns: int, sample_ns: int) -> None:
        """Set the time until outputs are read: the sample time, or the whole cycle."""
        self._model.configure(1e9 / min(sample_ns or period_ns, period_ns))

    def _measure(self, pin: int, _: int) -> None:
        """Send what a controller pin measures, if it has a sensor."""
        self._link.sendall(struct.pack("<I", self._readings.get(pin, ask.NOTHING)))

    def _words(self, count: int) -> Words:
        if count > ask.Pins.rows:
            raise EOFError  # no agent asks for so many, and they would have to be kept
        return np.frombuffer(self._take(4 * count), dtype="<u4").astype(np.uint32)

    def _take(self, count: int) -> bytes:
        data = bytearray(count)
        view = memoryview(data)
        while view:
            got = self._link.recv_into(view)
            if not got:
                raise EOFError
            view = view[got:]
        return bytes(data)
