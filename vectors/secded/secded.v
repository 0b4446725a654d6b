// Hamming's single error correcting, double error detecting code for 4 data bits
// (R. W. Hamming, BSTJ 29, 1950): positions 1 to 7 of the code word as in the paper, with check
// bits at 1, 2 and 4 and data at 3, 5, 6, 7; bit 0 makes the parity of the whole word even.
//
// decode = 0:  y = code word of x[3:0]; x[7:4] is ignored, `double` is low
// decode = 1:  x is a received word; y = {single, position[2:0], data[3:0]}
module secded (
    input  wire [7:0] x,
    input  wire       decode,
    output wire [7:0] y,
    output wire       double
);
  // encoder: the data word's most significant bit goes to position 3, then 5, 6, 7
  wire [7:1] c;
  assign c[3] = x[3];
  assign c[5] = x[2];
  assign c[6] = x[1];
  assign c[7] = x[0];
  assign c[1] = c[3] ^ c[5] ^ c[7];
  assign c[2] = c[3] ^ c[6] ^ c[7];
  assign c[4] = c[5] ^ c[6] ^ c[7];
  wire [7:0] word = {c, ^c};

  // decoder
  wire [2:0] position = {
    x[4] ^ x[5] ^ x[6] ^ x[7],
    x[2] ^ x[3] ^ x[6] ^ x[7],
    x[1] ^ x[3] ^ x[5] ^ x[7]
  };
  wire odd = ^x;
  wire [3:0] flip = {
    odd & (position == 3'd3),
    odd & (position == 3'd5),
    odd & (position == 3'd6),
    odd & (position == 3'd7)
  };
  wire [3:0] fixed = {x[3], x[5], x[6], x[7]} ^ flip;

  assign y = decode ? {odd, position, fixed} : word;
  assign double = decode & ~odd & (position != 3'd0);
endmodule
