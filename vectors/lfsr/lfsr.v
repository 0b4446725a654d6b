// 12-bit maximal-length shift register, feedback by XNOR of stages 12, 6, 4 and 1 into stage 1.
// Stage k is q[k-1]. Reset clears all stages; all ones is the one state that never occurs.
module lfsr (
    input  wire        clk,
    input  wire        rst_n,
    input  wire        en,
    output reg  [11:0] q
);
    wire feedback = ~(q[11] ^ q[5] ^ q[3] ^ q[0]);

    always @(posedge clk or negedge rst_n) begin
        if (!rst_n)
            q <= 12'd0;
        else if (en)
            q <= {q[10:0], feedback};
    end
endmodule
