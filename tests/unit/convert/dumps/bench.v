// Random stimulus for the counter, driven at the active edge, at the other one or in between.
// Prints what stands just before each rising edge of the clock: inputs, then outputs.
`timescale 1ns/1ps
module bench;
  reg clk = 0, clr_n = 0, load_n, enp, ent;
  reg [3:0] d;
  wire [3:0] q;
  wire rco;
  integer seed = 163, cycle = 0;

  ctr163 dut (.clk(clk), .clr_n(clr_n), .load_n(load_n), .enp(enp), .ent(ent), .d(d), .q(q), .rco(rco));

  always #5 clk = ~clk;
  always @(posedge clk) $display("%b%b%b%b%b %b%b", clr_n, load_n, enp, ent, d, q, rco);

  task drive;
    begin
      clr_n  <= $random(seed) % 16 != 0;
      load_n <= $random(seed) % 8 != 0;
      enp    <= $random(seed) % 8 != 0;
      ent    <= $random(seed) % 4 != 0;
      d      <= $random(seed) % 16;
    end
  endtask

  always @(posedge clk) cycle <= cycle + 1;

`ifdef ACTIVE
  always @(posedge clk) if (cycle > 1) drive;
`elsif OTHER
  always @(negedge clk) if (cycle > 1) drive;
`else
  always @(posedge clk) if (cycle > 1) begin
    #3;
    drive;
  end
`endif

  initial begin
    $dumpfile(`DUMP);
    $dumpvars(0, bench);
    wait (cycle == 62);
    @(negedge clk) $finish;
  end
endmodule
