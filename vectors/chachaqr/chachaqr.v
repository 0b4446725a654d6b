// ChaCha quarter round (RFC 8439, 2.1), one of its four lines per step, one adder.
//
// A 128-bit register holds the words as a, b, c, d, with the most significant byte of a on `q`.
// A step does  a += b; d ^= a; d <<<= n  and then exchanges (a, b) with (c, d), so that the
// next line of the round finds its operands in the same places; after four steps the words
// are back where they were.
module chachaqr (
    input  wire       clk,
    input  wire       rst_n,
    input  wire       shift,  // take `data` in at the end, move every byte one place up
    input  wire       step,   // do the next line of the quarter round (when shift is low)
    input  wire [7:0] data,
    output wire [7:0] q,
    output wire       ready   // no quarter round is half done
);
  reg [127:0] state;
  reg [1:0] line;

  wire [31:0] a = state[127:96];
  wire [31:0] b = state[95:64];
  wire [31:0] c = state[63:32];
  wire [31:0] d = state[31:0];

  wire [31:0] sum = a + b;
  wire [31:0] mix = d ^ sum;
  reg  [31:0] turned;

  always @* begin
    case (line)
      2'd0: turned = {mix[15:0], mix[31:16]};
      2'd1: turned = {mix[19:0], mix[31:20]};
      2'd2: turned = {mix[23:0], mix[31:24]};
      default: turned = {mix[24:0], mix[31:25]};
    endcase
  end

  always @(posedge clk) begin
    if (!rst_n) begin
      state <= 128'd0;
      line  <= 2'd0;
    end else if (shift) begin
      state <= {state[119:0], data};
    end else if (step) begin
      state <= {c, turned, sum, b};
      line  <= line + 2'd1;
    end
  end

  assign q = state[127:120];
  assign ready = line == 2'd0;
endmodule
