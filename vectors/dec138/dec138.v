// 3-to-8 line decoder with the functions of the SN74LS138: outputs active low, three enables.
module dec138 (
    input  wire [2:0] sel,   // C B A of the data sheet
    input  wire       g1,
    input  wire       g2a_n,
    input  wire       g2b_n,
    output wire [7:0] y_n
);
    wire enable = g1 & ~g2a_n & ~g2b_n;

    genvar k;
    generate
        for (k = 0; k < 8; k = k + 1) begin : line
            assign y_n[k] = ~(enable & (sel == k));
        end
    endgenerate
endmodule
