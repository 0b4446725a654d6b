"""Servers that put a board's port on the network: RFC 2217 by pyserial's own part, plain bytes.

Both serve one connection at a time, again and again, as a program on another host would.
"""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager, suppress
from dataclasses import dataclass, field

import serial
from serial.rfc2217 import PortManager

Filters = tuple[Callable[[bytes], bytes], Callable[[bytes], bytes]]
"""What becomes of bytes from the network, and of bytes to it."""


@dataclass
class Served:
    """A served port; ``hang_up`` breaks the connection, ``refuse`` ends the server."""

    scheme: str
    port: str
    cut_after: int = 0
    last: bool = False
    connections: int = 0
    carried: int = 0
    _listener: socket.socket = field(init=False)
    _connection: socket.socket | None = None

    def __post_init__(self) -> None:
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.number = int(self._listener.getsockname()[1])
        self._thread = threading.Thread(target=self._accept, daemon=True)
        self._thread.start()

    @property
    def url(self) -> str:
        return f"{self.scheme}://127.0.0.1:{self.number}"

    def hang_up(self) -> None:
        if self._connection is not None:
            with suppress(OSError):
                self._connection.shutdown(socket.SHUT_RDWR)

    def refuse(self) -> None:
        with suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self.hang_up()
        self._thread.join(10)

    def _accept(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            self.connections += 1
            self._connection = connection
            with connection, suppress(OSError, serial.SerialException):
                self._serve(connection)
            if self.last:
                self._listener.close()

    def _serve(self, connection: socket.socket) -> None:
        """Carry bytes until either end closes, or ``cut_after`` bytes of the first connection."""
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        with Terminal(self.port, timeout=0.05, exclusive=True) as board:
            inward, outward = self._filters(board, connection)
            over = threading.Event()

            def upward() -> None:
                with suppress(OSError, serial.SerialException, TypeError):
                    while not over.is_set():
                        data = board.read(1)
                        if data:
                            connection.sendall(outward(data + board.read(board.in_waiting)))
                self.hang_up()

            reader = threading.Thread(target=upward, daemon=True)
            reader.start()
            try:
                while data := connection.recv(4096):
                    self.carried += len(data)
                    if self.cut_after and self.carried > self.cut_after:
                        self.cut_after = 0
                        self.hang_up()
                        return
                    board.write(inward(data))
            finally:
                over.set()
                reader.join()

    def _filters(self, board: serial.Serial, connection: socket.socket) -> Filters:
        if self.scheme == "socket":
            return bytes, bytes
        manager = PortManager(board, _Writer(connection))  # type: ignore[arg-type]  # needs write
        return lambda data: b"".join(manager.filter(data)), lambda data: b"".join(
            manager.escape(data)
        )


class Terminal(serial.Serial):
    """A pseudo-terminal as a serial port: it has no modem lines, so they are reported as on."""

    cts = dsr = cd = True
    ri = False

    def _update_rts_state(self) -> None:
        pass

    def _update_dtr_state(self) -> None:
        pass


class _Writer:
    """What pyserial's server answers on; safe for two threads."""

    def __init__(self, connection: socket.socket) -> None:
        self._connection = connection
        self._lock = threading.Lock()

    def write(self, data: bytes) -> None:
        with self._lock:
            self._connection.sendall(data)


@contextmanager
def served(scheme: str, port: str, cut_after: int = 0) -> Iterator[Served]:
    """Serve a port; after ``cut_after`` bytes to the board, the first connection breaks."""
    server = Served(scheme, port, cut_after)
    try:
        yield server
    finally:
        server.refuse()


def rfc2217_server(port: str) -> AbstractContextManager[Served]:
    """Serve a port by RFC 2217."""
    return served("rfc2217", port)
