// AES S-box and inverse S-box (FIPS 197, 5.1.1 and 5.3.2), combinational.
//
// One inverter of GF(2^8) serves both. It works in the tower field GF((2^4)^2):
//   GF(2^4):      z^4 + z + 1
//   GF((2^4)^2):  y^2 + y + 12
// to_tower and from_tower are the change of basis between that field and FIPS 197's
// x^8 + x^4 + x^3 + x + 1.
module aessbox (
    input  wire [7:0] a,
    input  wire       inv,   // 0: S-box, 1: inverse S-box
    output wire [7:0] s
);
  function [3:0] mul4(input [3:0] p, input [3:0] q);
    mul4 = {
      (p[3] & q[0]) ^ (p[2] & q[1]) ^ (p[1] & q[2]) ^ (p[0] & q[3]) ^ (p[3] & q[3]),
      (p[2] & q[0]) ^ (p[1] & q[1]) ^ (p[0] & q[2]) ^ (p[3] & q[3]) ^ (p[3] & q[2]) ^ (p[2] & q[3]),
      (p[1] & q[0]) ^ (p[0] & q[1]) ^ (p[3] & q[2]) ^ (p[2] & q[3]) ^ (p[3] & q[1]) ^ (p[2] & q[2]) ^ (p[1] & q[3]),
      (p[0] & q[0]) ^ (p[3] & q[1]) ^ (p[2] & q[2]) ^ (p[1] & q[3])
    };
  endfunction

  function [3:0] square4(input [3:0] p);
    square4 = {p[3], p[3] ^ p[1], p[2], p[2] ^ p[0]};
  endfunction

  function [3:0] invert4(input [3:0] p);
    case (p)
      4'h0: invert4 = 4'h0;
      4'h1: invert4 = 4'h1;
      4'h2: invert4 = 4'h9;
      4'h3: invert4 = 4'hE;
      4'h4: invert4 = 4'hD;
      4'h5: invert4 = 4'hB;
      4'h6: invert4 = 4'h7;
      4'h7: invert4 = 4'h6;
      4'h8: invert4 = 4'hF;
      4'h9: invert4 = 4'h2;
      4'hA: invert4 = 4'hC;
      4'hB: invert4 = 4'h5;
      4'hC: invert4 = 4'hA;
      4'hD: invert4 = 4'h4;
      4'hE: invert4 = 4'h3;
      default: invert4 = 4'h8;
    endcase
  endfunction

  function [7:0] to_tower(input [7:0] x);
    to_tower = {
      x[7] ^ x[5],
      x[7] ^ x[6] ^ x[4] ^ x[1],
      x[3] ^ x[2],
      x[7] ^ x[5] ^ x[1],
      x[7] ^ x[6] ^ x[3] ^ x[1],
      x[3],
      x[7] ^ x[6] ^ x[5] ^ x[2] ^ x[1],
      x[2] ^ x[0]
    };
  endfunction

  function [7:0] from_tower(input [7:0] y);
    from_tower = {
      y[7] ^ y[5] ^ y[3] ^ y[1],
      y[5] ^ y[4] ^ y[2] ^ y[1],
      y[5] ^ y[3] ^ y[1],
      y[6] ^ y[3] ^ y[2],
      y[2],
      y[5] ^ y[2],
      y[7] ^ y[4],
      y[5] ^ y[2] ^ y[0]
    };
  endfunction

  function [7:0] rotl(input [7:0] x, input integer n);
    rotl = (x << n) | (x >> (8 - n));
  endfunction

  function [7:0] affine(input [7:0] b);
    affine = b ^ rotl(b, 1) ^ rotl(b, 2) ^ rotl(b, 3) ^ rotl(b, 4) ^ 8'h63;
  endfunction

  function [7:0] unaffine(input [7:0] b);
    unaffine = rotl(b, 1) ^ rotl(b, 3) ^ rotl(b, 6) ^ 8'h05;
  endfunction

  wire [7:0] t = to_tower(inv ? unaffine(a) : a);
  wire [3:0] norm = mul4(square4(t[7:4]), 4'hC) ^ mul4(t[7:4], t[3:0]) ^ square4(t[3:0]);
  wire [3:0] k = invert4(norm);
  wire [7:0] r = from_tower({mul4(t[7:4], k), mul4(t[7:4] ^ t[3:0], k)});
  assign s = inv ? r : affine(r);
endmodule
