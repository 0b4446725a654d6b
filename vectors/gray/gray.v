// 8-bit Gray code counter, up and down. The register itself holds the code, so that exactly one
// flip-flop changes per step; the count is decoded, moved by one and encoded again.
module gray (
    input  wire       clk,
    input  wire       rst_n,
    input  wire       en,
    input  wire       up,
    output reg  [7:0] code,
    output wire       last   // high at the last code of the direction
);
    wire [7:0] count;
    genvar k;
    generate
        for (k = 0; k < 8; k = k + 1) begin : decode
            assign count[k] = ^code[7:k];
        end
    endgenerate

    wire [7:0] next = up ? count + 8'd1 : count - 8'd1;

    always @(posedge clk or negedge rst_n) begin
        if (!rst_n)
            code <= 8'd0;
        else if (en)
            code <= next ^ (next >> 1);
    end

    assign last = up ? (code == 8'h80) : (code == 8'h00);
endmodule
