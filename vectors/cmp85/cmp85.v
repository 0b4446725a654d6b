// 4-bit magnitude comparator with the functions of the SN74LS85, cascading inputs included.
module cmp85 (
    input  wire [3:0] a,
    input  wire [3:0] b,
    input  wire       gt_in,
    input  wire       lt_in,
    input  wire       eq_in,
    output wire       gt,
    output wire       lt,
    output wire       eq
);
    wire greater = a > b;
    wire less    = a < b;
    wire same    = ~greater & ~less;

    assign gt = greater | (same & ~lt_in & ~eq_in);
    assign lt = less | (same & ~gt_in & ~eq_in);
    assign eq = same & eq_in;
endmodule
