// 4-bit ALU and function generator with the functions of the SN74LS181, active-high data.
//
// The part in the data sheet has 14 inputs, more than this chip's input pins. S3..S0 and M are
// therefore kept in a function register: a rising clock edge takes S from s and M from cn.
// Everything behind the register is combinational. Reset selects F = A (logic mode, S = HHHH).
module alu181 (
    input  wire       clk,
    input  wire       rst_n,
    input  wire [3:0] a,
    input  wire [3:0] b,
    input  wire       cn,      // carry in, low: carry; at a clock edge: M for the register
    input  wire [3:0] s,       // function select for the register
    output wire [3:0] f,
    output wire       a_eq_b,  // high when F is HHHH
    output wire       cn4,     // carry out, low: carry
    output wire       x,       // carry propagate pin (15 of the data sheet)
    output wire       y        // carry generate pin (17 of the data sheet)
);
    reg [3:0] sel;
    reg       mode;

    always @(posedge clk or negedge rst_n) begin
        if (!rst_n) begin
            sel  <= 4'b1111;
            mode <= 1'b1;
        end else begin
            sel  <= s;
            mode <= cn;
        end
    end

    // The two terms that the data sheet's logic diagram forms for each bit.
    wire [3:0] d = ~(a | (b & {4{sel[0]}}) | (~b & {4{sel[1]}}));
    wire [3:0] e = ~((a & ~b & {4{sel[2]}}) | (a & b & {4{sel[3]}}));

    // Ripple form of the look-ahead: c[i] is the level of the active-low carry into bit i.
    wire [4:0] c;
    assign c[0] = cn;
    assign c[4:1] = d | (e & c[3:0]);

    assign f = d ^ e ^ ~(c[3:0] & {4{~mode}});
    assign a_eq_b = &f;
    assign cn4 = c[4];
    assign x = ~&e;
    assign y = ~(d[3] | (e[3] & d[2]) | (e[3] & e[2] & d[1]) | (e[3] & e[2] & e[1] & d[0]));
endmodule
