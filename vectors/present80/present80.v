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

  // The S-box, C56B90AD3EF84712, as sums of products modulo 2; `shared` is in two of its bits.
  function [3:0] sbox(input [3:0] x);
    reg pairs, shared;
    begin
      pairs  = (x[1] & x[3]) ^ (x[2] & x[3]);
      shared = x[0] & ((x[1] & x[2]) ^ pairs);
      sbox[0] = x[0] ^ x[2] ^ x[3] ^ (x[1] & x[2]);
      sbox[1] = x[1] ^ x[3] ^ pairs ^ shared;
      sbox[2] = ~(x[2] ^ x[3] ^ (x[0] & x[1]) ^ (x[0] & x[3]) ^ (x[1] & x[3])
                  ^ (x[0] & x[3] & (x[1] ^ x[2])));
      sbox[3] = ~(x[0] ^ x[1] ^ x[3] ^ (x[1] & x[2]) ^ shared);
    end
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

  // One of four things happens to each register in a clock; none of them during reset, so that
  // the sums below are 0 then.
  wire busy = rst_n && !done;
  wire idle = rst_n && done;
  wire go = idle && op == 2'd3;
  wire shift_text = idle && op == 2'd2;
  wire shift_key = idle && op == 2'd1;
  wire keep_text = idle && op != 2'd2;
  wire keep_key = idle && op != 2'd1;

  wire [63:0] moved = ({64{busy}} & layered) | ({64{shift_text}} & {text[55:0], data})
                    | ({64{keep_text}} & text);
  wire [63:0] added = ({64{busy}} & next_key[79:16]) | ({64{go}} & key[79:16]);

  always @(posedge clk) begin
    text  <= moved ^ added;
    key   <= ({80{busy}} & next_key) | ({80{shift_key}} & {key[71:0], data})
           | ({80{keep_key}} & key);
    round <= ({5{busy}} & (round + 5'd1)) | {4'd0, go};  // 31 wraps to 0, idle
  end

  assign q = text[63:56];
  assign done = round == 5'd0;
endmodule
