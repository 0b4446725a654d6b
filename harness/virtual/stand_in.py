"""A raw REPL on CPython, for machines without a MicroPython wheel: the same agent, same upload.

Knows only what the upload uses: Ctrl-A, Ctrl-B, Ctrl-C, Ctrl-D, Ctrl-E and raw-paste mode.
Not a MicroPython: it exists so that the virtual rack runs everywhere. ``confined.py`` loads it by
its path. Code that runs inside can find everything that it imports, under any name, so
hiding names is only the first door; the second is an audit hook, which CPython never removes and
which refuses what those names do.
"""

from __future__ import annotations

import array
import binascii
import builtins
import contextlib
import gc
import io
import json
import os
import posix
import select
import signal
import struct
import sys
import termios
import time
import tty
import types
import zlib
from collections.abc import Callable
from os import read, write
from typing import Any

PASTE_PIECE = 128
"""Bytes of a raw paste after which the host waits for a go-ahead."""
COMPILED_IN = ("micropython", "ptr8", "ptr32")
TICKS = ("ticks_add", "ticks_diff", "ticks_ms", "ticks_us")
"""What the agent takes from its interpreter, as ``harness.agent.cpython`` has it."""


MODULES = (array, binascii, gc, json, select, struct, sys, termios, time, zlib)
"""What the agent may import as it is."""
NO_BUILTINS = ("open", "input", "breakpoint", "help")
DONE_INSIDE = ("compile", "exec", "array.__new__")
"""The only audited operations that the agent needs."""


class StandIn:
    """One interpreter on standard input and output; ``chip`` is a file to its pins."""

    def __init__(self, chip: io.FileIO, cpython: Any) -> None:
        self._settings = termios.tcgetattr(0)
        termios.setraw = tty.setraw  # type: ignore[attr-defined]
        kept: dict[str, object] = {module.__name__: module for module in MODULES}
        vars(time).update({name: getattr(cpython, name) for name in TICKS})
        kept["uctypes"] = types.SimpleNamespace(addressof=cpython.addressof)
        kept["io"] = types.SimpleNamespace(BytesIO=io.BytesIO)
        kept["virtual_chip"] = types.SimpleNamespace(link=chip)
        self._kept = kept
        self._compiled_in = {name: getattr(cpython, name) for name in COMPILED_IN}
        self._builtins = {k: v for k, v in vars(builtins).items() if k not in NO_BUILTINS}
        self.names: dict[str, Any] = {}
        self.reset()

    def reset(self) -> None:
        """Forget everything that was defined."""
        kept = dict(self._kept)

        def look_up(name: str, *_how: object) -> object:
            if name in kept:
                return kept[name]
            raise ImportError(f"no module named '{name}'")

        self.names = {
            "__name__": "__main__",
            "__builtins__": {**self._builtins, "__import__": look_up},
        }
        self.names |= self._compiled_in

    def run_program(self, program: str, serial: str) -> None:
        """Run the board's own program until it ends or Ctrl-C."""
        source = program.replace("time.sleep_ms(", "time.sleep(0.001 * ")
        self.names["serial"] = serial
        try:
            exec(compile(source, "<own>", "exec"), self.names)  # noqa: S102  it is the board's
        except BaseException as error:  # noqa: BLE001  whatever ends it, the prompt follows
            self._write(_told(error))
        self.reset()

    def serve(self) -> None:
        """Serve as a raw REPL until Ctrl-D at the friendly prompt."""
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
        self._write(b"R\x01" + PASTE_PIECE.to_bytes(2, "little") + b"\x01")
        source = b""
        while (byte := self._byte()) != b"\x04":
            source += byte
            if len(source) % PASTE_PIECE == 0:
                self._write(b"\x01")
        self._write(b"\x04")
        self._execute(source)

    def _execute(self, source: bytes) -> None:
        printed = io.StringIO()
        failure = b""
        try:
            with contextlib.redirect_stdout(_Through(printed)):
                exec(compile(source, "<stdin>", "exec"), self.names)  # noqa: S102
        except BaseException as error:  # noqa: BLE001  the host reads what went wrong
            failure = _told(error)
        termios.tcsetattr(0, termios.TCSANOW, self._settings)
        self._write(printed.getvalue().encode() + b"\x04" + failure + b"\x04>")

    def _byte(self) -> bytes:
        while True:
            try:
                byte = read(0, 1)
            except KeyboardInterrupt:
                continue
            if not byte:
                raise SystemExit
            return byte

    def _write(self, data: bytes) -> None:
        view = memoryview(data)
        while view:
            view = view[write(1, view) :]


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


def _told(error: BaseException) -> bytes:
    """The last line of a traceback; the others would need files to be read."""
    return f"{type(error).__name__}: {error}\r\n".encode()


def main(program: str, serial: str, chip: int, confine: Callable[[], None], cpython: Any) -> None:
    """Close the doors; then run the board's program, then the prompt.

    ``cpython`` is the agent's module of that name.
    """
    assert isinstance(sys.stdout, io.TextIOWrapper)
    sys.stdout.reconfigure(line_buffering=True)  # it began before it was a terminal
    board = StandIn(open(chip, "r+b", buffering=0), cpython)  # noqa: SIM115  a number, no path
    confine()
    shut()
    signal.signal(signal.SIGINT, signal.default_int_handler)
    board.run_program(program, bytes.fromhex(serial).decode())
    while True:
        try:
            board.serve()
        except KeyboardInterrupt:
            continue
        else:
            return


def shut() -> None:
    """From now on, refuse what no board can do.

    What asks for it is audited by CPython; of the few functions of the operating system that are
    not (``stat``, ``mkfifo``), the names are taken away.
    """

    def refuse(event: str, _arguments: object) -> None:
        if event not in DONE_INSIDE:
            raise PermissionError(f"a virtual board does no {event}")

    for module in (os, posix):
        vars(module).clear()
    sys.addaudithook(refuse)
