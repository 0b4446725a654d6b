// BCD to seven-segment decoder with the functions of the SN7448, segments active high.
//
// The data sheet's BI/RBO terminal is one wired-AND node. A chip of this shuttle has no such
// pad, so the node's two directions have a pin each: bi_n is the input, rbo_n the level that the
// node would have.
module bcd7seg (
    input  wire [3:0] bcd,    // D C B A of the data sheet
    input  wire       lt_n,   // lamp test
    input  wire       rbi_n,  // ripple-blanking input
    input  wire       bi_n,   // blanking input
    output wire [6:0] seg,    // a b c d e f g
    output wire       rbo_n   // ripple-blanking output
);
    wire ripple_blank = lt_n & ~rbi_n & (bcd == 4'd0);

    assign rbo_n = bi_n & ~ripple_blank;

    reg [6:0] glyph;
    always @* begin
        case (bcd)
            4'd0:  glyph = 7'b1111110;
            4'd1:  glyph = 7'b0110000;
            4'd2:  glyph = 7'b1101101;
            4'd3:  glyph = 7'b1111001;
            4'd4:  glyph = 7'b0110011;
            4'd5:  glyph = 7'b1011011;
            4'd6:  glyph = 7'b0011111;
            4'd7:  glyph = 7'b1110000;
            4'd8:  glyph = 7'b1111111;
            4'd9:  glyph = 7'b1110011;
            4'd10: glyph = 7'b0001101;
            4'd11: glyph = 7'b0011001;
            4'd12: glyph = 7'b0100011;
            4'd13: glyph = 7'b1001011;
            4'd14: glyph = 7'b0001111;
            default: glyph = 7'b0000000;
        endcase
    end

    assign seg = !rbo_n ? 7'b0000000 : !lt_n ? 7'b1111111 : glyph;
endmodule
