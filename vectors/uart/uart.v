// Start-stop transmitter and receiver, 8 data bits, no parity, one stop bit, 4 clocks to a bit
// (character framing as on TIA/EIA-232: idle and stop are 1, start is 0, data LSB first).
//
// tx: `send` is taken while `busy` is low and the start bit begins with that clock; `busy`
//     falls with the last clock of the stop bit, so that characters can follow without a gap.
// rx: `valid` or `bad` (no stop bit) rises in the stop bit and falls in the next start bit.
module uart (
    input  wire       clk,
    input  wire       rst_n,
    input  wire [7:0] d,
    input  wire       send,
    input  wire       rxd,
    output wire       txd,
    output wire       busy,
    output wire [7:0] q,
    output reg        valid,
    output reg        bad
);
  // transmitter: {stop, data, start} leaves at the right, ones come in behind it
  reg [9:0] out;
  reg [5:0] left;             // clocks left of this character, less one

  always @(posedge clk) begin
    if (!rst_n) begin
      out  <= 10'h3FF;
      left <= 6'd0;
    end else if (!busy) begin
      if (send) begin
        out  <= {1'b1, d, 1'b0};
        left <= 6'd39;
      end
    end else begin
      left <= left - 6'd1;
      if (left[1:0] == 2'd0) out <= {1'b1, out[9:1]};
    end
  end

  assign txd  = out[0];
  assign busy = left != 6'd0;

  // receiver: two flops against metastability, then a count of clocks since the start edge
  reg [1:0] sync;
  reg [8:0] in;
  reg [5:0] count;            // 0: waiting for a start bit
  wire line = sync[1];

  always @(posedge clk) begin
    if (!rst_n) begin
      sync  <= 2'b11;
      in    <= 9'd0;
      count <= 6'd0;
      valid <= 1'b0;
      bad   <= 1'b0;
    end else begin
      sync <= {sync[0], rxd};
      if (count == 6'd0) begin
        if (!line) count <= 6'd1;
      end else begin
        count <= count + 6'd1;
        if (count == 6'd1) begin            // middle of the start bit: is it still there?
          if (line) begin
            count <= 6'd0;
          end else begin
            valid <= 1'b0;
            bad   <= 1'b0;
          end
        end else if (count[1:0] == 2'd1) begin
          if (count == 6'd37) begin         // middle of the stop bit
            valid <= line;
            bad   <= ~line;
            count <= 6'd0;
          end else begin
            in <= {line, in[8:1]};
          end
        end
      end
    end
  end

  assign q = in[8:1];
endmodule
