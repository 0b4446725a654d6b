"""Runs a table in Icarus Verilog on a design's Verilog source, as a second opinion.

The one rule: nothing here uses our netlists or our simulator. The testbench is the one that authors
get; ``+record`` makes it write what every pin is at the end of each cycle.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from harness.convert.testbench_text import Timing, bench_text, data_text, wiring
from harness.netlist import stimulus as pattern_rows
from harness.rehearse import table_rows
from harness.shuttle import Bus, Design, Direction, Shuttle, TableSpec
from harness.table import Pattern, Words

MISSING = "Icarus Verilog is not installed (Debian package iverilog)"
RESTING = (Direction.INPUT, Direction.CLOCK, Direction.RESET, Direction.SELECT)

_FAULTY = """\
  wire [{top}:0] pad, look;
  genvar line_;
  generate
    for (line_ = 0; line_ <= {top}; line_ = line_ + 1) begin : driver
      assign pad[line_] = enable[line_] ? drive[line_] : 1'bz;
      assign (weak1, weak0) pad[line_] = pull;
    end
  endgenerate
  {faults}
  {dut}
  assign seen = look;
"""


@dataclass(frozen=True, eq=False)
class Stimulus:
    """What a board drives, row by row: the reset, then the table, resting pins filled in.

    ``reset_rows`` rows come before the table's. ``count`` and ``until`` are the pattern's
    ``repeat`` and ``until``.
    """

    drive: Words
    enable: Words
    pulse: Words
    expect: Words
    care: Words
    highz: Words
    count: Words
    until: NDArray[np.bool_]
    reset_rows: int


@dataclass(frozen=True, eq=False)
class Response:
    """What the pins were at the end of each cycle: four masks a cycle, and the stimulus row.

    Every pin is in exactly one of ``high``, ``low``, ``floating`` and ``unknown``; one that is not
    tested for high impedance and that nothing drives is pulled low.
    """

    row: NDArray[np.int64]
    high: Words
    low: Words
    floating: Words
    unknown: Words


def stimulus(pattern: Pattern, spec: TableSpec, shuttle: Shuttle) -> Stimulus:
    """Take the rows apart that a rehearsal runs, and the exporter writes."""
    rows, lead = table_rows(pattern, spec, shuttle)
    drive, enable, pulse, expect, care, highz, count, until = rows.astype(np.uint32).T
    return Stimulus(
        drive, enable, pulse, expect, care, highz, count, until.astype(np.bool_), reset_rows=lead
    )


def available() -> bool:
    """Whether Icarus Verilog is installed."""
    return shutil.which("iverilog") is not None and shutil.which("vvp") is not None


def simulate(
    design: Design | None,
    shuttle: Shuttle,
    stim: Stimulus,
    folder: Path,
    wired: Mapping[int, str] | None = None,
    faults: str = "",
) -> Response:
    """Run the exporter's testbench on the design's Verilog source in ``folder``.

    ``wired``: what is at a pin of the chip, by its bit, instead of ``pad[bit]``. ``faults``
    connect the ``pad`` that the board drives with what it reads, ``look``. None: no design answers.
    """
    between = wiring(design, shuttle) if design and not faults else ""
    if faults:
        dut = _instance(design, wired or {}) if design else ""
        between = _FAULTY.format(top=len(shuttle.pins) - 1, faults=faults, dut=dut)
    words = (stim.drive, stim.enable, stim.pulse, stim.highz)
    rows = pattern_rows(
        *words, expect=stim.expect, care=stim.care, count=stim.count, until=stim.until
    )
    size, pins = (len(rows), stim.reset_rows), {pin.bit: pin.name for pin in shuttle.pins}
    bench = bench_text("bench", pins, size, Timing(100), between)
    (folder / "bench.v").write_text(bench, encoding="utf-8")
    (folder / "bench.txt").write_text(data_text(rows, range(len(rows))), encoding="utf-8")
    sources = [str(path) for path in design.verilog] if design else []
    _run(["iverilog", "-g2012", "-s", "bench", "-o", "bench.vvp", "bench.v", *sources], folder)
    told = _run(["vvp", "-n", "bench.vvp", "+record"], folder)
    response = _read(folder / "bench.seen", len(shuttle.pins))
    assert told.returncode == ("PASS" not in told.stdout), told.stdout
    assert response.row[-1] == len(rows) - 1
    return response


def _instance(design: Design, wired: Mapping[int, str]) -> str:
    ports = ", ".join(f".{bus.name}({_pads(bus, wired)})" for bus in design.signals)
    return f"{design.top} dut ({ports});"


def _pads(bus: Bus, wired: Mapping[int, str]) -> str:
    return "{" + ", ".join(wired.get(pin.bit, f"pad[{pin.bit}]") for pin in bus.pins) + "}"


def _run(command: list[str], folder: Path) -> subprocess.CompletedProcess[str]:
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0 or command[0] == "vvp", f"{done.stdout}{done.stderr}"
    return done


def _read(path: Path, pins: int) -> Response:
    raw = np.frombuffer(path.read_bytes(), dtype=np.uint8).reshape(-1, 2 * pins + 11)
    levels, digits = raw[:, :pins][:, ::-1], raw[:, 2 * pins + 2 : 2 * pins + 10]
    loose = raw[:, pins + 1 : 2 * pins + 1][:, ::-1] == ord("1")
    weights = (np.uint32(1) << np.arange(pins, dtype=np.uint32)).astype(np.uint32)

    def mask(chosen: NDArray[np.bool_]) -> Words:
        words: Words = (chosen * weights).sum(axis=1, dtype=np.uint32)
        return words

    row = (digits.astype(np.int64) - ord("0")) @ (10 ** np.arange(7, -1, -1, dtype=np.int64))
    high, low = ((levels == ord(symbol)) & ~loose for symbol in "10")
    return Response(row, mask(high), mask(low), mask(loose), mask(~(high | low | loose)))
