// Morse keyer (Recommendation ITU-R M.1677-1): a dash is three dots, the gap inside a letter one,
// between letters three, between words seven. A dot is 4 clocks.
//
// `send` is taken while `ready` is high and keying begins with that clock. `ready` comes back when
// the gap after the letter is over; a space waits for the four dots that make a word gap of the
// three that have passed. A code without a signal is taken as a space.
module morse (
    input  wire       clk,
    input  wire       rst_n,
    input  wire [6:0] char,   // ASCII: A-Z, 0-9, . , ? and space
    input  wire       send,
    output wire       key,
    output wire       ready
);
  // signals, first element at the left, 1 = dash, closed by a 1 and filled up with 0
  function [6:0] signals(input [6:0] c);
    case (c)
      "A": signals = 7'b0110000;
      "B": signals = 7'b1000100;
      "C": signals = 7'b1010100;
      "D": signals = 7'b1001000;
      "E": signals = 7'b0100000;
      "F": signals = 7'b0010100;
      "G": signals = 7'b1101000;
      "H": signals = 7'b0000100;
      "I": signals = 7'b0010000;
      "J": signals = 7'b0111100;
      "K": signals = 7'b1011000;
      "L": signals = 7'b0100100;
      "M": signals = 7'b1110000;
      "N": signals = 7'b1010000;
      "O": signals = 7'b1111000;
      "P": signals = 7'b0110100;
      "Q": signals = 7'b1101100;
      "R": signals = 7'b0101000;
      "S": signals = 7'b0001000;
      "T": signals = 7'b1100000;
      "U": signals = 7'b0011000;
      "V": signals = 7'b0001100;
      "W": signals = 7'b0111000;
      "X": signals = 7'b1001100;
      "Y": signals = 7'b1011100;
      "Z": signals = 7'b1100100;
      "0": signals = 7'b1111110;
      "1": signals = 7'b0111110;
      "2": signals = 7'b0011110;
      "3": signals = 7'b0001110;
      "4": signals = 7'b0000110;
      "5": signals = 7'b0000010;
      "6": signals = 7'b1000010;
      "7": signals = 7'b1100010;
      "8": signals = 7'b1110010;
      "9": signals = 7'b1111010;
      ".": signals = 7'b0101011;
      ",": signals = 7'b1100111;
      "?": signals = 7'b0011001;
      default: signals = 7'b1000000;
    endcase
  endfunction

  reg [6:0] rest;             // elements still to key after this one
  reg       down;
  reg [3:0] clocks;           // clocks of this mark or gap still to come
  reg       active;

  wire [6:0] pattern = signals(char);
  wire space = pattern == 7'b1000000;
  wire over = clocks == 4'd0;
  wire letter_over = rest == 7'b1000000;
  wire take = send && ready;

  // a mark is 4 or 12 clocks; a gap 4 inside a letter, 12 after it, 16 for a space
  always @(posedge clk) begin
    if (!rst_n) begin
      rest   <= 7'd0;
      down   <= 1'b0;
      clocks <= 4'd0;
      active <= 1'b0;
    end else if (take) begin
      rest   <= space ? 7'b1000000 : {pattern[5:0], 1'b0};
      down   <= !space;
      clocks <= space ? 4'd15 : pattern[6] ? 4'd11 : 4'd3;
      active <= 1'b1;
    end else if (active) begin
      if (!over) begin
        clocks <= clocks - 4'd1;
      end else if (down) begin
        down   <= 1'b0;
        clocks <= letter_over ? 4'd11 : 4'd3;
      end else if (letter_over) begin
        active <= 1'b0;
      end else begin
        rest   <= {rest[5:0], 1'b0};
        down   <= 1'b1;
        clocks <= rest[6] ? 4'd11 : 4'd3;
      end
    end
  end

  assign key = down;
  assign ready = !active || (over && !down && letter_over);
endmodule
