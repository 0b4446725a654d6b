// Four 8-bit registers behind a serial port of three wires and a chip select. There is no clk:
// the design is clocked by `sck` alone. Data in is taken on rising edges of sck, data out changes
// on falling edges, so that the port serves SPI modes 0 and 3.
//
// A transfer is 16 bits, most significant first: {write, 5 ignored bits, address[1:0]}, then the
// byte to write or, on a read, the byte that comes back. cs_n high ends a transfer and lets go
// of `miso`. `r0` shows register 0.
module spibank (
    input  wire       sck,
    input  wire       cs_n,
    input  wire       mosi,
    input  wire       rst_n,
    inout  wire       miso,
    output wire [7:0] r0
);
  reg [4:0] count;            // bits taken in this transfer; stays at 16
  reg [6:0] taken;
  reg       write;
  reg [1:0] address;
  reg [7:0] bank0, bank1, bank2, bank3;
  reg       out;

  wire [7:0] now = {taken, mosi};
  wire last = count == 5'd15;

  always @(posedge sck or posedge cs_n) begin
    if (cs_n) count <= 5'd0;
    else if (!count[4]) count <= count + 5'd1;
  end

  always @(posedge sck or negedge rst_n) begin
    if (!rst_n) begin
      taken   <= 7'd0;
      write   <= 1'b0;
      address <= 2'd0;
    end else if (!cs_n) begin
      taken <= now[6:0];
      if (count == 5'd7) begin
        write   <= now[7];
        address <= now[1:0];
      end
    end
  end

  always @(posedge sck or negedge rst_n) begin
    if (!rst_n) begin
      bank0 <= 8'd0;
      bank1 <= 8'd0;
      bank2 <= 8'd0;
      bank3 <= 8'd0;
    end else if (!cs_n && last && write) begin
      case (address)
        2'd0: bank0 <= now;
        2'd1: bank1 <= now;
        2'd2: bank2 <= now;
        default: bank3 <= now;
      endcase
    end
  end

  reg [7:0] chosen;
  always @* begin
    case (address)
      2'd0: chosen = bank0;
      2'd1: chosen = bank1;
      2'd2: chosen = bank2;
      default: chosen = bank3;
    endcase
  end

  // 8 bits taken: bit 7 goes out, … 15 bits taken: bit 0 goes out
  always @(negedge sck or posedge cs_n) begin
    if (cs_n) out <= 1'b0;
    else out <= count[3] & ~count[4] & chosen[~count[2:0]];
  end

  assign miso = cs_n ? 1'bz : out;
  assign r0 = bank0;
endmodule
