// Serial CRC-16/IBM-3740: polynomial 0x1021, first 0xffff, most significant bit first, no final
// inversion. One message bit per clock while en is high; hi chooses the byte that is shown.
module crc16 (
    input  wire       clk,
    input  wire       rst_n,
    input  wire       start,  // back to 0xffff, regardless of en
    input  wire       en,
    input  wire       din,
    input  wire       hi,
    output wire [7:0] crc,
    output wire       zero    // high while the whole remainder is zero
);
    reg [15:0] rem;
    wire       feed = rem[15] ^ din;

    always @(posedge clk or negedge rst_n) begin
        if (!rst_n)
            rem <= 16'hffff;
        else if (start)
            rem <= 16'hffff;
        else if (en)
            rem <= {rem[14:0], 1'b0} ^ (feed ? 16'h1021 : 16'h0000);
    end

    assign crc = hi ? rem[15:8] : rem[7:0];
    assign zero = ~|rem;
endmodule
