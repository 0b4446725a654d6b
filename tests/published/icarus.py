"""Drives a table into Icarus Verilog on a design's Verilog source, as a second opinion.

The one rule: nothing here uses our netlists or our simulator. A testbench is written for the
design; it does in each cycle what JEDEC JESD3 says of a vector: drive inputs, let them settle,
pulse clocks, let outputs settle, sample every pin. Reset comes first, as a session does it.
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from harness.shuttle import Bus, Design, Direction, Shuttle, TableSpec
from harness.table import Pattern, Words

MISSING = "Icarus Verilog is not installed (Debian package iverilog)"
AS_IT_IS = "assign look = pad;"
"""No fault between the board's lines and the chip's pins."""
RESTING = (Direction.INPUT, Direction.CLOCK, Direction.RESET, Direction.SELECT)

_BENCH = """\
`timescale 1ns/1ps
module bench;
  reg  [{top}:0] drive, enable, pulse, expect_, care;
  wire [{top}:0] pad, look;
  reg  [31:0] count, done;
  reg  until_, more;
  integer source, sink, got, row;
  genvar k;
  generate
    for (k = 0; k <= {top}; k = k + 1) begin : driver
      assign pad[k] = enable[k] ? drive[k] : 1'bz;
    end
  endgenerate
  {faults}
  {dut}
  initial begin
    source = $fopen("stimulus.txt", "r");
    sink = $fopen("response.txt", "w");
    row = 0;
    got = $fscanf(source, "%h %h %h %h %h %d %d",
                  drive, enable, pulse, expect_, care, count, until_);
    while (got == 7) begin
      done = 0;
      more = 1;
      while (more) begin
        #100;
        drive = drive ^ pulse; #100;
        drive = drive ^ pulse; #100;
        $fdisplay(sink, "%b %08d", look, row);
        done = done + 1;
        more = done < count;
        if (until_ && ((look ^ expect_) & care) === 0) more = 0;
      end
      row = row + 1;
      got = $fscanf(source, "%h %h %h %h %h %d %d",
                    drive, enable, pulse, expect_, care, count, until_);
    end
    $finish;
  end
endmodule
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

    Every pin is in exactly one of ``high``, ``low``, ``floating`` and ``unknown``.
    """

    row: NDArray[np.int64]
    high: Words
    low: Words
    floating: Words
    unknown: Words


def stimulus(pattern: Pattern, spec: TableSpec, shuttle: Shuttle) -> Stimulus:
    """Complete a pattern with the reset before it and the pins that it does not mention."""
    mentioned = sum(bus.mask for bus in pattern.signals)
    resting = shuttle.mask(*RESTING)
    inactive = shuttle.mask(Direction.RESET) if shuttle.reset_active_low else 0
    active = shuttle.mask(Direction.RESET) ^ inactive
    reset = [1] if spec.reset_cycles else []
    left = np.uint32(resting & ~mentioned)

    def column(first: int, rest: Words) -> Words:
        return np.concatenate((np.array([first] * len(reset), dtype=np.uint32), rest))

    return Stimulus(
        drive=column(active, pattern.drive | (np.uint32(inactive) & left)),
        enable=column(resting, pattern.enable | left),
        pulse=column(shuttle.mask(Direction.CLOCK), pattern.pulse),
        expect=column(0, pattern.expect),
        care=column(0, pattern.care),
        highz=column(0, pattern.highz),
        count=column(spec.reset_cycles, pattern.repeat),
        until=np.concatenate((np.zeros(len(reset), dtype=np.bool_), pattern.until)),
        reset_rows=len(reset),
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
    faults: str = AS_IT_IS,
) -> Response:
    """Run the stimulus on the design's Verilog source; ``folder`` takes the working files.

    ``wired``: what is at a pin of the chip, by its bit, instead of ``pad[bit]``. ``faults``
    connect the ``pad`` that the board drives with what it reads, ``look``. None: no design answers.
    """
    dut = _instance(design, wired or {}) if design else ""
    bench = _BENCH.format(top=len(shuttle.pins) - 1, faults=faults, dut=dut)
    (folder / "bench.v").write_text(bench, encoding="utf-8")
    (folder / "stimulus.txt").write_text(_stimulus_text(stim), encoding="utf-8")
    sources = [str(path) for path in design.verilog] if design else []
    _run(["iverilog", "-g2012", "-s", "bench", "-o", "bench.vvp", "bench.v", *sources], folder)
    _run(["vvp", "-n", "bench.vvp"], folder)
    return _read(folder / "response.txt", len(shuttle.pins))


def _instance(design: Design, wired: Mapping[int, str]) -> str:
    ports = ", ".join(f".{bus.name}({_pads(bus, wired)})" for bus in design.signals)
    return f"{design.top} dut ({ports});"


def _pads(bus: Bus, wired: Mapping[int, str]) -> str:
    return "{" + ", ".join(wired.get(pin.bit, f"pad[{pin.bit}]") for pin in bus.pins) + "}"


def _stimulus_text(stim: Stimulus) -> str:
    words = (stim.drive, stim.enable, stim.pulse, stim.expect, stim.care)
    columns = [column.tolist() for column in (*words, stim.count, stim.until.astype(np.uint32))]
    lines = (
        " ".join([*(f"{word:x}" for word in line[:5]), str(line[5]), str(line[6])])
        for line in zip(*columns, strict=True)
    )
    return "\n".join(lines) + "\n"


def _run(command: list[str], folder: Path) -> None:
    done = subprocess.run(command, cwd=folder, capture_output=True, text=True, check=False)
    assert done.returncode == 0, f"{command[0]}: {done.stdout}{done.stderr}"


def _read(path: Path, pins: int) -> Response:
    raw = np.frombuffer(path.read_bytes(), dtype=np.uint8).reshape(-1, pins + 10)
    levels, digits = raw[:, :pins][:, ::-1], raw[:, pins + 1 : pins + 9]
    weights = (np.uint32(1) << np.arange(pins, dtype=np.uint32)).astype(np.uint32)

    def mask(symbol: str) -> Words:
        chosen: Words = ((levels == ord(symbol)) * weights).sum(axis=1, dtype=np.uint32)
        return chosen

    row = (digits.astype(np.int64) - ord("0")) @ (10 ** np.arange(7, -1, -1, dtype=np.int64))
    return Response(row, mask("1"), mask("0"), mask("z"), mask("x"))
