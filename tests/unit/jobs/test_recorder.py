"""Python testbenches are recorded as tables, which replay on the design's netlist."""

from __future__ import annotations

import random
import re
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from amaranth.hdl import ClockDomain, ClockSignal, Module, Signal
from amaranth.sim import Simulator

import harness
from harness.records import RehearsalResult
from tests.system.virtual import ROOT

RUNNER = """\
from cocotb_tools.runner import get_runner

runner = get_runner("icarus")
runner.build(sources=["vectors/ctr163/ctr163.v"], hdl_toplevel="ctr163", timescale=("1ns", "1ps"))
runner.test(hdl_toplevel="ctr163", test_module="bench", test_dir=".")
"""


@pytest.fixture
def vectors(tmp_path: Path) -> Path:
    """The counter alone, in a folder that may be written."""
    shutil.copytree(ROOT / "vectors" / "ctr163", tmp_path / "vectors" / "ctr163")
    text = (ROOT / "vectors" / "shuttle.toml").read_text("utf-8")
    text = re.sub(r"(?s)designs = \[.*?\]", 'designs = ["ctr163"]', text)
    text = re.sub(r"(?m)^pin_check.*\n", "", text)
    (tmp_path / "vectors" / "shuttle.toml").write_text(text, "utf-8")
    return tmp_path / "vectors"


def the_counter() -> tuple[Any, Any, Callable[[Any], Any]]:
    """The counter in amaranth, its ports, and a testbench for it."""
    top = Module()
    top.domains.sync = ClockDomain("sync", reset_less=True)
    widths = {"d": 4, "load_n": 1, "enp": 1, "ent": 1, "clr_n": 1, "clk": 1, "q": 4, "rco": 1}
    ports = {name: Signal(width, name=name) for name, width in widths.items()}
    top.d.comb += ports["clk"].eq(ClockSignal())
    top.d.comb += ports["rco"].eq(ports["ent"] & ports["q"].all())
    with top.If(~ports["clr_n"]):
        top.d.sync += ports["q"].eq(0)
    with top.Elif(~ports["load_n"]):
        top.d.sync += ports["q"].eq(ports["d"])
    with top.Elif(ports["enp"] & ports["ent"]):
        top.d.sync += ports["q"].eq(ports["q"] + 1)

    async def bench(ctx: Any) -> None:
        draw = random.Random(7)
        await ctx.tick().repeat(3)
        ctx.set(ports["clr_n"], 1)
        for _ in range(60):
            ctx.set(ports["d"], draw.randrange(16))
            for name in ("load_n", "enp", "ent"):
                ctx.set(ports[name], draw.random() > 0.2)
            await ctx.tick()

    return top, ports, bench


def test_a_run_of_amaranths_simulator_becomes_a_table_that_its_netlist_passes(
    vectors: Path,
) -> None:
    top, _, bench = the_counter()
    simulator = Simulator(top)
    simulator.add_clock(1e-6)
    simulator.add_testbench(bench)
    with harness.record_amaranth(simulator, vectors / "ctr163", "recorded") as recording:
        simulator.run()
    assert recording.table is not None
    assert recording.table.rows > 50
    assert recording.table.rehearsal.result is RehearsalResult.PASSES
    table = harness.load_table(harness.load_shuttle(vectors), "ctr163", "recorded")
    assert table.care.any()


def test_a_test_that_fails_leaves_no_table(vectors: Path) -> None:
    simulator = Simulator(the_counter()[0])
    with (
        pytest.raises(ZeroDivisionError),
        harness.record_amaranth(simulator, vectors / "ctr163", "recorded"),
    ):
        simulator.add_clock(1 / 0)
    assert not (vectors / "ctr163" / "recorded.csv").exists()


@pytest.mark.nightly
@pytest.mark.skipif(shutil.which("iverilog") is None, reason="iverilog is not installed")
def test_a_cocotb_test_becomes_a_table_that_its_netlist_passes(vectors: Path) -> None:
    folder = vectors.parent
    guide = (ROOT / "vectors" / "README.md").read_text("utf-8")
    (bench,) = re.findall(r"(?ms)^```python\n(import random\n\nimport cocotb.*?)^```", guide)
    (folder / "bench.py").write_text(bench, "utf-8")
    done = subprocess.run(
        [sys.executable, "-c", RUNNER], cwd=folder, capture_output=True, text=True, check=False
    )
    assert "TESTS=1 PASS=1" in done.stdout, done.stdout + done.stderr
    assert "passes\n" in done.stdout
    table = harness.load_table(harness.load_shuttle(vectors), "ctr163", "recorded")
    assert len(table) > 50


def test_nothing_of_a_testbench_is_loaded_unless_it_is_used() -> None:
    program = (
        "import sys, harness\n"
        "harness.record_cocotb, harness.record_amaranth\n"
        "print({'cocotb', 'amaranth', 'pywellen'} & set(sys.modules))\n"
    )
    words = [sys.executable, "-c", program]
    done = subprocess.run(words, capture_output=True, text=True, check=True)
    assert done.stdout == "set()\n"
