// PRESENT with an 80-bit key (Bogdanov et al., CHES 2007), one round per clock.
//
// Key and text are shifted in a byte at a time, most significant byte first; `q` shows the top
// byte of the text register, so that the ciphertext is read while the next text is loaded.
// `go` adds the first round key; the 31 rounds then run by themselves and `done` rises.
// Encryption uses the key up: load it again for the next text.
module present80 (
    input  wire       clk,
    input  wire       rst_n,
    input  wire [1:0] op,     // 0 wait, 1 shift key, 2 shift text, 3 go (all but 0 need done)
    input  wire [7:0] data,
    output wire [7:0] q,
    output wire       done
);
  reg [63:0] text;
  reg [79:0] key;
  reg [4:0] round;            // 0: idle, else the round that the next clock does

  function [3:0] sbox(input [3:0] x);
    case (x)
      4'h0: sbox = 4'hC;
      4'h1: sbox = 4'h5;
      4'h2: sbox = 4'h6;
      4'h3: sbox = 4'hB;
      4'h4: sbox = 4'h9;
      4'h5: sbox = 4'h0;
      4'h6: sbox = 4'hA;
      4'h7: sbox = 4'hD;
      4'h8: sbox = 4'h3;
      4'h9: sbox = 4'hE;
      4'hA: sbox = 4'hF;
      4'hB: sbox = 4'h8;
      4'hC: sbox = 4'h4;
      4'hD: sbox = 4'h7;
      4'hE: sbox = 4'h1;
      default: sbox = 4'h2;
    endcase
  endfunction

  wire [63:0] layered;        // text after the S-box layer and the bit permutation
  genvar i, j;
  generate
    for (i = 0; i < 16; i = i + 1) begin : nibbles
      wire [3:0] s = sbox(text[4*i+3:4*i]);
      for (j = 0; j < 4; j = j + 1) begin : bits
        assign layered[i+16*j] = s[j];
      end
    end
  endgenerate

  wire [79:0] turned = {key[18:0], key[79:19]};
  wire [79:0] next_key = {
    sbox(turned[79:76]), turned[75:20], turned[19:15] ^ round, turned[14:0]
  };

  always @(posedge clk) begin
    if (!rst_n) begin
      text  <= 64'd0;
      key   <= 80'd0;
      round <= 5'd0;
    end else if (round != 5'd0) begin
      text  <= layered ^ next_key[79:16];
      key   <= next_key;
      round <= round + 5'd1;  // 31 wraps to idle
    end else begin
      case (op)
        2'd1: key <= {key[71:0], data};
        2'd2: text <= {text[55:0], data};
        2'd3: begin
          text  <= text ^ key[79:16];
          round <= 5'd1;
        end
        default: ;
      endcase
    end
  end

  assign q = text[63:56];
  assign done = round == 5'd0;
endmodule
