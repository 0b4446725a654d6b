-- The counter and a bench for GHDL, driven at the active edge, at the other one or in between.
-- Prints what stands just before each rising edge of the clock: inputs, then outputs.
library ieee;
use ieee.std_logic_1164.all;
use ieee.numeric_std.all;

entity ctr163 is
  port (clk, clr_n, load_n, enp, ent : in std_logic;
        d : in std_logic_vector(3 downto 0);
        q : out std_logic_vector(3 downto 0);
        rco : out std_logic);
end entity;

architecture rtl of ctr163 is
  signal count : unsigned(3 downto 0);
begin
  process (clk) begin
    if rising_edge(clk) then
      if clr_n = '0' then count <= "0000";
      elsif load_n = '0' then count <= unsigned(d);
      elsif enp = '1' and ent = '1' then count <= count + 1;
      end if;
    end if;
  end process;
  q <= std_logic_vector(count);
  rco <= ent and count(3) and count(2) and count(1) and count(0);
end architecture;

library ieee;
use ieee.std_logic_1164.all;
use ieee.numeric_std.all;
use std.textio.all;

entity bench is
  generic (style : string := "active");
end entity;

architecture sim of bench is
  signal clk : std_logic := '0';
  signal clr_n : std_logic := '0';
  signal load_n, enp, ent, rco : std_logic;
  signal d, q : std_logic_vector(3 downto 0);
  signal done : boolean := false;
begin
  dut : entity work.ctr163 port map (clk, clr_n, load_n, enp, ent, d, q, rco);
  clk <= not clk after 5 ns when not done;

  process (clk)
    variable text : line;
  begin
    if rising_edge(clk) then
      write(text, to_string(clr_n & load_n & enp & ent & d) & " " & to_string(q & rco));
      writeline(output, text);
    end if;
  end process;

  process
    variable state : unsigned(15 downto 0) := x"ACE1";
  begin
    wait until rising_edge(clk);
    wait until rising_edge(clk);
    for cycle in 1 to 60 loop
      wait until rising_edge(clk);
      if style = "other" then wait until falling_edge(clk); end if;
      if style = "between" then wait for 3 ns; end if;
      for bit in 1 to 16 loop
        state := state(14 downto 0) & (state(15) xor state(13) xor state(12) xor state(10));
      end loop;
      clr_n <= '1' when state(15 downto 12) /= "0000" else '0';
      load_n <= '1' when state(11 downto 9) /= "000" else '0';
      enp <= '1' when state(8 downto 6) /= "000" else '0';
      ent <= '1' when state(5 downto 4) /= "00" else '0';
      d <= std_logic_vector(state(3 downto 0));
    end loop;
    wait until falling_edge(clk);
    done <= true;
    wait;
  end process;
end architecture;
