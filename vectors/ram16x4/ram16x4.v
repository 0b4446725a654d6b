// Sixteen words of four bits on a shared data bus.
//
// Written on the rising clock edge while `we` is high. Read without a clock: the bus is driven
// while `oe_n` and `we` are both low, else it is left alone. Contents after power-up are unknown.
module ram16x4 (
    input  wire       clk,
    input  wire [3:0] a,
    input  wire       we,
    input  wire       oe_n,
    inout  wire [3:0] dq
);
  reg [3:0] cells [0:15];

  always @(posedge clk) begin
    if (we) cells[a] <= dq;
  end

  assign dq = (oe_n | we) ? 4'bzzzz : cells[a];
endmodule
