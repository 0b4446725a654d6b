// Timing of a 640 x 480 picture, industry standard: 800 clocks a line (640 visible, 16 front
// porch, 96 sync, 48 back porch), 525 lines a frame (480, 10, 2, 33), both syncs negative.
// `rgb` shows eight vertical bars of 80 pixels, white to black.
//
// `run` low holds everything. `skip` counts a line with every clock instead of a pixel, so that
// a tester need not wait for a frame.
module vgatiming (
    input  wire       clk,
    input  wire       rst_n,
    input  wire       run,
    input  wire       skip,
    output wire       hsync_n,
    output wire       vsync_n,
    output wire       visible,
    output wire [2:0] rgb,
    output wire       line_end,
    output wire       frame_end
);
  reg [9:0] x;
  reg [9:0] y;
  reg [6:0] in_bar;
  reg [2:0] bar;

  wire bar_end = in_bar == 7'd79;

  always @(posedge clk) begin
    if (!rst_n) begin
      x      <= 10'd0;
      in_bar <= 7'd0;
      bar    <= 3'd7;
    end else if (run && !skip) begin
      if (line_end) begin
        x      <= 10'd0;
        in_bar <= 7'd0;
        bar    <= 3'd7;
      end else begin
        x      <= x + 10'd1;
        in_bar <= bar_end ? 7'd0 : in_bar + 7'd1;
        if (bar_end) bar <= bar - 3'd1;
      end
    end
  end

  always @(posedge clk) begin
    if (!rst_n) y <= 10'd0;
    else if (run && (skip || line_end)) y <= y == 10'd524 ? 10'd0 : y + 10'd1;
  end

  assign line_end  = x == 10'd799;
  assign frame_end = line_end && y == 10'd524;
  assign visible   = x < 10'd640 && y < 10'd480;
  assign hsync_n   = !(x >= 10'd656 && x < 10'd752);
  assign vsync_n   = !(y >= 10'd490 && y < 10'd492);
  // white, yellow, cyan, green, magenta, red, blue, black: bar is {green, red, blue}
  assign rgb = visible ? {bar[1], bar[2], bar[0]} : 3'd0;
endmodule
