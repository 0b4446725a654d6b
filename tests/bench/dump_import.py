"""What importing a 100 MB dump costs next to ``pywellen`` delivering the same changes to nobody.

Run: ``python -m tests.bench.dump_import [MEGABYTES]``. A counter with random inputs, driven at the
other edge, so that every cycle has rows of its own; needs Icarus Verilog. Each reading is a fresh
process, in turn, three times; the fastest of each counts (processor time, without loading modules,
which does not depend on the dump). Memory is the largest
anonymous resident set (``RssAnon``, Linux). The design has no netlist: replaying is not importing.

Targets: at most 5 times the reader's own time; 100 MB for a VCD, 200 MB for an FST.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path

import pywellen

import harness
from tests.unit.convert.imports import design_folder

TIMES = 3
FACTOR, MEGABYTES = 5.0, {"vcd": 100.0, "fst": 200.0}
BYTES_A_CYCLE = 62
NAMES = ("clk", "clr_n", "load_n", "enp", "ent", "d", "q", "rco")
BENCH = """
`timescale 1ns/1ps
module bench;
  reg clk = 0, clr_n = 0, load_n = 0, enp = 0, ent = 0;
  reg [3:0] d = 0;
  wire [3:0] q; wire rco;
  ctr163 dut (clk, clr_n, load_n, enp, ent, d, q, rco);
  always #5 clk = ~clk;
  initial begin
    $dumpfile("big.vcd"); $dumpvars(1, dut);
    #22 clr_n = 1;
    repeat (CYCLES) begin
      @(negedge clk);
      load_n <= $random % 8 != 0; enp <= $random % 8 != 0; ent <= $random % 4 != 0; d <= $random;
    end
    #3 $finish;
  end
endmodule
"""


def make(folder: Path, megabytes: int) -> None:
    """Write ``big.vcd`` and ``big.fst``."""
    source = BENCH.replace("CYCLES", str(megabytes * 1_000_000 // BYTES_A_CYCLE))
    (folder / "big.v").write_text(source)
    counter = Path(__file__).parents[2] / "vectors/ctr163/ctr163.v"
    commands = (
        ["iverilog", "-g2005", "-o", "big.vvp", "big.v", str(counter)],
        ["vvp", "-N", "big.vvp", "-fst"],
        ["mv", "big.vcd", "big.fst"],
        ["vvp", "-N", "big.vvp"],
    )
    for command in commands:
        subprocess.run(command, cwd=folder, check=True, capture_output=True)


def nobody(dump: Path) -> None:
    """Let the reader deliver every change to an empty callback."""
    waveform = pywellen.Waveform(str(dump))
    waveform.stream_changes(lambda _time, _name, _value: None, [f"bench.dut.{n}" for n in NAMES])


def table(dump: Path) -> None:
    """Import it."""
    options = harness.ImportOptions(dump.suffix[1:], replace=True)
    harness.import_dump(dump, dump.parent / "ctr163", options, lambda _: True, lambda *_: None)


def anonymous() -> int:
    """Anonymous resident memory in bytes."""
    status = Path("/proc/self/status").read_text(encoding="ascii")
    return int(status.split("RssAnon:")[1].split()[0]) * 1024


def measure(job: str, dump: str) -> None:
    """Run one job and print its processor time and its largest anonymous memory."""
    peak, done = [0], threading.Event()

    def watch() -> None:
        while not done.wait(0.02):
            peak[0] = max(peak[0], anonymous())

    watcher = threading.Thread(target=watch, daemon=True)
    watcher.start()
    assert callable(harness.import_dump)  # loads its modules
    begun = time.process_time()
    {"nobody": nobody, "table": table}[job](Path(dump))
    spent = time.process_time() - begun
    done.set()
    watcher.join()
    print(json.dumps([spent, peak[0]]))


def fastest(job: str, dump: Path) -> tuple[float, float]:
    """Return the processor time and the memory in MB of the fastest of the runs."""
    command = [sys.executable, "-m", "tests.bench.dump_import", job, str(dump)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    spent, peak = json.loads(done.stdout.splitlines()[-1])
    return spent, peak / 1e6


def main(megabytes: int) -> None:
    """Print one line for each kind of dump."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        design_folder("ctr163", folder, netlist=False)
        make(folder, megabytes)
        for kind in ("vcd", "fst"):
            dump = folder / f"big.{kind}"
            pairs = [(fastest("nobody", dump), fastest("table", dump)) for _ in range(TIMES)]
            floor, whole = min(p[0][0] for p in pairs), min(p[1][0] for p in pairs)
            memory = max(p[1][1] for p in pairs)
            print(
                f"{kind}: {dump.stat().st_size / 1e6:.0f} MB; reader alone {floor:.2f} s, "
                f"import {whole:.2f} s: {whole / floor:.1f} x (target {FACTOR} x); "
                f"anonymous memory {memory:.0f} MB (target {MEGABYTES[kind]:.0f} MB)"
            )


if __name__ == "__main__":
    if len(sys.argv) == 3:
        measure(*sys.argv[1:])
    else:
        main(int(sys.argv[1]) if len(sys.argv) > 1 else 100)
