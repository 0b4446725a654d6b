// Synchronous 4-bit counter with the functions of the SN74LS163A: clear and load act on the
// rising clock edge, clear first; counting needs both enables; the carry looks through ENT.
module ctr163 (
    input  wire       clk,
    input  wire       clr_n,
    input  wire       load_n,
    input  wire       enp,
    input  wire       ent,
    input  wire [3:0] d,
    output reg  [3:0] q,
    output wire       rco
);
    always @(posedge clk) begin
        if (!clr_n)
            q <= 4'd0;
        else if (!load_n)
            q <= d;
        else if (enp & ent)
            q <= q + 4'd1;
    end

    assign rco = ent & (&q);
endmodule
