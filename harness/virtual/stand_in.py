"""A raw REPL on CPython, for machines without a MicroPython wheel: the same agent, same upload.

Knows just what the upload uses: Ctrl-A, Ctrl-B, Ctrl-C, Ctrl-D, Ctrl-E and raw-paste mode.
Not a MicroPython: it exists so that the virtual rack runs everywhere.
"""

from __future__ import annotations

import contextlib
import io
import os
import signal
import sys
import termios
import traceback
import tty
import types
from typing import Any

from harness.agent import cpython

WINDOW = 128
STANDING_IN = ("addressof", "ptr8", "ptr32", "ticks_ms", "ticks_us", "ticks_diff", "ticks_add")
"""What the agent takes from its interpreter, as ``harness.agent.cpython`` has it."""


class StandIn:
    """One interpreter on standard input and output."""

    def __init__(self) -> None:
        module = types.ModuleType("micropython")
        module.viper = cpython.micropython.viper  # type: ignore[attr-defined]
        module.kbd_intr = self._interrupts  # type: ignore[attr-defined]
        sys.modules["micropython"] = module
        self._settings = termios.tcgetattr(0)
        termios.setraw = tty.setraw  # type: ignore[attr-defined]
        self.names: dict[str, Any] = {}
        self.reset()

    def reset(self) -> None:
        """Forget everything that was defined."""
        self.names = {"__name__": "__main__"}
        for name in STANDING_IN:
            self.names[name] = getattr(cpython, name)

    def run_program(self, path: str) -> None:
        """Run the board's own program until it ends or Ctrl-C."""
        self._write(b"")
        names: dict[str, Any] = {"__name__": "__main__"}
        try:
            with open(path, encoding="utf-8") as file:  # noqa: PTH123  as a board would
                source = file.read().replace("time.sleep_ms(", "time.sleep(0.001 * ")
            exec(compile(source, path, "exec"), names)  # noqa: S102  it is the board's program
        except BaseException:  # noqa: BLE001  whatever ends it, the prompt follows
            self._write(traceback.format_exc(limit=0).encode())

    def serve(self) -> None:
        """Be a raw REPL until Ctrl-D at the friendly prompt."""
        self._write(b"\r\n>>> ")
        raw = False
        source = b""
        while True:
            byte = self._byte()
            if byte == b"\x01":
                raw, source = True, b""
                self._write(b"raw REPL; CTRL-B to exit\r\n>")
            elif byte == b"\x02":
                raw = False
                self._write(b"\r\n>>> ")
            elif byte == b"\x04" and not raw:
                return
            elif byte == b"\x04" and not source:
                self.reset()
                self._write(b"OK\r\nsoft reboot\r\nraw REPL; CTRL-B to exit\r\n>")
            elif byte == b"\x04":
                self._write(b"OK")
                self._execute(source)
                source = b""
            elif byte == b"\x05" and raw:
                self._paste()
            elif byte not in (b"\x03", b"\r"):
                source += byte

    def _paste(self) -> None:
        self._byte()
        self._byte()
        self._write(b"R\x01" + WINDOW.to_bytes(2, "little") + b"\x01")
        source = b""
        while (byte := self._byte()) != b"\x04":
            source += byte
            if len(source) % WINDOW == 0:
                self._write(b"\x01")
        self._write(b"\x04")
        self._execute(source)

    def _execute(self, source: bytes) -> None:
        printed = io.StringIO()
        failure = ""
        try:
            with contextlib.redirect_stdout(_Through(printed)):
                exec(compile(source, "<stdin>", "exec"), self.names)  # noqa: S102
        except BaseException:  # noqa: BLE001  the host reads what went wrong
            failure = traceback.format_exc()
        termios.tcsetattr(0, termios.TCSANOW, self._settings)
        self._write(printed.getvalue().encode() + b"\x04" + failure.encode() + b"\x04>")

    def _byte(self) -> bytes:
        while True:
            try:
                byte = os.read(0, 1)
            except KeyboardInterrupt:
                continue
            if not byte:
                raise SystemExit
            return byte

    def _write(self, data: bytes) -> None:
        view = memoryview(data)
        while view:
            view = view[os.write(1, view) :]

    def _interrupts(self, character: int) -> None:
        signal.signal(
            signal.SIGINT, signal.SIG_IGN if character < 0 else signal.default_int_handler
        )


class _Through(io.StringIO):
    """Collects what is printed, and hands out the real stream's buffer to the agent."""

    def __init__(self, sink: io.StringIO) -> None:
        super().__init__()
        self._sink = sink

    def write(self, text: str) -> int:
        return self._sink.write(text)

    @property
    def buffer(self) -> Any:
        return sys.__stdout__.buffer  # type: ignore[union-attr]


def main() -> None:
    """Run the board's program, then the prompt."""
    signal.signal(signal.SIGINT, signal.default_int_handler)
    board = StandIn()
    board.run_program(sys.argv[1])
    while True:
        try:
            board.serve()
        except KeyboardInterrupt:
            continue
        else:
            return


if __name__ == "__main__":
    main()
