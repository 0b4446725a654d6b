"""The Verilog text of a self-checking testbench, and its table as lines of numbers.

One rule: nothing that an author wrote gets in but names that match a pattern, and those as escaped
identifiers, so that none can be a keyword. Each signal is one net; no net is split bit by bit.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from harness.netlist import Rows
from harness.shuttle import Bus, Design, Direction, Shuttle

_BENCH = """\
// Self-checking testbench {name}: Verilog-2005, for any simulator.
// Reads {name}.txt from the current folder. A line has the words drive, enable, pulse, expect,
// care and highz of one row of the table in hexadecimal, then in decimal its number of cycles,
// 1 where these are repeated until the outputs match, and its line in the table's file.
{legend}
`timescale 1ns/1ps
module {name};
  localparam ROWS = {rows}, LEAD = {lead}, QUARTER = {quarter}, SETTLE = {settle}, SHOWN = 20;
  reg  [{top}:0] drive, enable, pulse, expect_, care, highz, level, floating, miss;
  reg  [31:0] count = 0, done = 0, line = 0;
  reg  [63:0] cycle = 0, wrong = 0;
  reg  until_ = 0, more = 0;
  reg  pull = 0;  // a weak pull on all outputs: down, but for a moment while highz is tested
  integer source = 0, sink = 0, got = 0, row = 0, k = 0;
  wire [{top}:0] seen;  // the level of each pin

{wiring}

  // Counters get their first values in the declarations: Verilator 5.48 optimises some away that an
  // initial block sets, and prints PASS whatever the design does. Pins start unknown and change
  // after time 0, so that no block that waits for a change misses the first one.
  initial begin
    source = $fopen("{name}.txt", "r");
    if ($test$plusargs("record")) sink = $fopen("{name}.seen", "w");
    #(QUARTER);
    if (source != 0) got = $fscanf(source, {format});
    while (got == 9) begin
      done = 0;
      more = 1;
      while (more) begin
        #(QUARTER);
        drive = drive ^ pulse; #(2 * QUARTER);
        drive = drive ^ pulse; #(QUARTER + SETTLE);
        level = seen;
        floating = 0;
        if (highz != 0) begin
          pull = 1; #(QUARTER) floating = seen;
          pull = 0; #(QUARTER) floating = floating & ~seen;
        end
        if (sink != 0) $fdisplay(sink, "%b %b %08d", level, floating, row);
        done = done + 1;
        more = done < count;
        miss = (care & (level ^ expect_)) | (highz & ~floating);
        if (until_ && miss === 0) more = 0;
        if (miss !== 0 && !(until_ && more)) begin
          wrong = wrong + 1;
          for (k = 0; k <= {top}; k = k + 1)
            if (miss[k] !== 0 && wrong <= SHOWN) begin
              $write("FAIL cycle %0d, table line %0d: ", cycle, line);
              write_name(k);
              $display(" expected %0s, observed %0s", highz[k] ? "Z" : expect_[k] ? "H" : "L",
                       floating[k] === 1 ? "Z" : level[k] === 1 ? "1" : level[k] === 0 ? "0" : "X");
            end
        end
        if (row >= LEAD) cycle = cycle + 1;
      end
      row = row + 1;
      got = $fscanf(source, {format});
    end
    if (row == ROWS && wrong == 0) begin
      $display("PASS: %0d cycles", cycle);
      $finish;
    end else begin
      if (row != ROWS) $display("FAIL: {name}.txt has %0d rows of %0d", row, ROWS);
      else $display("FAIL: %0d of %0d cycles", wrong, cycle);
`ifdef VERILATOR
      $stop;  // exit code 1; it knows no $fatal in Verilog-2005
`else
      $fatal;  // exit code 1, which vvp gives for $stop only with -N
`endif
    end
  end

  task write_name(input integer pin);
    case (pin)
{names}
      default: $write("pin %0d", pin);
    endcase
  endtask
endmodule
"""
_FORMAT = '"%h %h %h %h %h %h %d %d %d",\n          drive, enable, pulse, expect_, care, highz, '
_FORMAT += "count, until_, line"


@dataclass(frozen=True)
class Timing:
    """A quarter of a cycle, and the extra wait before outputs are tested, in nanoseconds."""

    quarter: int
    settle: int = 0


def bench_text(
    name: str, pins: Mapping[int, str], size: tuple[int, int], timing: Timing, wiring: str
) -> str:
    """Put the testbench ``name`` together.

    ``pins`` names each bit of the words, ``size`` is the number of rows and how many of them come
    before the table. ``wiring`` connects ``drive`` and ``enable`` with the chip under test and
    gives ``seen``; :func:`wiring` makes that of a healthy chip.
    """
    top = max(pins)
    names = "\n".join(f'      {bit}: $write("{text}");' for bit, text in pins.items())
    return _BENCH.format(
        name=name,
        legend="\n".join(f"// bit {bit}: {text}" for bit, text in pins.items()),
        rows=size[0],
        lead=size[1],
        quarter=timing.quarter,
        settle=timing.settle,
        top=top,
        wiring=wiring,
        format=_FORMAT,
        names=names,
    )


def wiring(design: Design, shuttle: Shuttle) -> str:
    """Connect the pins with a design's top module: plain levels to inputs, a weak pull elsewhere.

    Where nothing drives a net, it follows the pull: low, as on a virtual board.
    """
    nets = [text for bus in design.signals for text in _net(bus)]
    ports = ", ".join(rf".\{bus.name} (s_{bus.name})" for bus in design.signals)
    at = {pin.bit: f"s_{name}" for bus in design.signals for name, pin in bus.bits}
    seen = (at.get(pin.bit, f"drive[{pin.bit}]") for pin in reversed(shuttle.pins))
    lines = [*nets, rf"\{design.top} dut ({ports});", f"assign seen = {_joined(seen)};"]
    return "\n".join(f"  {line}" for line in lines)


def _net(bus: Bus) -> list[str]:
    """Declare and drive the net of one signal."""
    net = f"s_{bus.name}"
    width = f"[{bus.width - 1}:0] " if bus.width > 1 else ""
    levels = _joined(f"drive[{pin.bit}]" for pin in bus.pins)
    if bus.direction is Direction.INPUT:
        return [f"wire {width}{net} = {levels};"]
    driven = _joined(f"enable[{pin.bit}] ? drive[{pin.bit}] : 1'bz" for pin in bus.pins)
    return [
        f"wire {width}{net};",
        f"assign (weak1, weak0) {net} = {{{bus.width}{{pull}}}};",
        f"assign {net} = {driven};",
    ]


def _joined(parts: Iterable[str]) -> str:
    texts = list(parts)
    return texts[0] if len(texts) == 1 else "{" + ", ".join(texts) + "}"


def data_text(rows: Rows, lines: Iterable[int]) -> str:
    """Write the rows as the testbench reads them; what is not driven is neither high nor pulsed."""
    words = rows.copy()
    words[:, 0] &= words[:, 1]
    words[:, 2] &= words[:, 1]
    return "".join(
        f"{drive:x} {enable:x} {pulse:x} {expect:x} {care:x} {highz:x} {count} {until} {line}\n"
        for (drive, enable, pulse, expect, care, highz, count, until), line in zip(
            words.tolist(), lines, strict=True
        )
    )
