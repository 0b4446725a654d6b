// 8-to-3 priority encoder with the functions of the SN74LS148: every line is active low.
module prio148 (
    input  wire [7:0] d_n,   // inputs 7..0; 7 has priority
    input  wire       ei_n,  // enable in
    output reg  [2:0] a_n,
    output wire       gs_n,  // group select: some input is low
    output wire       eo_n   // enable out: enabled, and no input is low
);
    wire any = d_n != 8'hff;

    assign gs_n = ~(~ei_n & any);
    assign eo_n = ~(~ei_n & ~any);

    always @* begin
        casez ({ei_n, d_n})
            9'b0_0???????: a_n = 3'b000;
            9'b0_10??????: a_n = 3'b001;
            9'b0_110?????: a_n = 3'b010;
            9'b0_1110????: a_n = 3'b011;
            9'b0_11110???: a_n = 3'b100;
            9'b0_111110??: a_n = 3'b101;
            9'b0_1111110?: a_n = 3'b110;
            default:       a_n = 3'b111;
        endcase
    end
endmodule
