-- A Quoll-16 (invented) and its controller, as a script tells; see tests/trace/storychip.py for the language.
-- Written from the data sheet's prose: 16 bits, odd parity, launch on the rising clock edge, taken on the falling one,
-- reply in the same frame. Lines are std_logic with pull-ups, so the dump holds H, L and Z.
library ieee;
use ieee.std_logic_1164.all;
use ieee.numeric_std.all;

entity quoll16 is
  port (sclk, ncs, sdi, enable, powered : in std_logic;
        sdo    : out std_logic;
        nfault : out std_logic;
        -- what happens on the board: a kind, a register and a bit, taken at each change of strobe
        kind   : in character;
        reg    : in natural;
        place  : in natural;
        strobe : in boolean;
        flip   : in integer);
end entity;

architecture prose of quoll16 is
  type words is array (0 to 15) of std_logic_vector(9 downto 0);
  constant RESETS : words := (
    1 => "1000000000", 3 => "0000101010", 4 => "0101000011", 5 => "0101000011", 6 => "1010010111",
    7 => "0010100000", 8 => "0011100100", 11 => "0010110100", 12 => "0001000000", 15 => "0101100001",
    others => "0000000000");
  signal regs   : words := RESETS;
  signal held, stuck : words := (others => "0000000000");
  signal locked : boolean := false;
  signal any    : std_logic;
  function ones(v : std_logic_vector) return natural is
    variable n : natural := 0;
  begin
    for i in v'range loop
      if v(i) = '1' then n := n + 1; end if;
    end loop;
    return n;
  end function;
  function some(v : std_logic_vector) return std_logic is
  begin
    if ones(v) > 0 then return '1'; end if;
    return '0';
  end function;
begin
  any <= some((regs(0) and "1101111110") or (regs(1) and "0111101110") or (regs(2) and "0000111111"));
  nfault <= '0' when powered /= '1' or enable /= '1' or any = '1' or (regs(1)(4) = '1' and regs(8)(4) = '0') else 'Z';

  process (sclk, ncs, enable, powered, strobe)
    variable taken : std_logic_vector(15 downto 0);
    variable reply : std_logic_vector(15 downto 0);
    variable word  : std_logic_vector(9 downto 0);
    variable count, at : natural;
    variable awake : boolean;
    procedure wake is
      variable fresh : words := RESETS;
    begin
      for i in 0 to 2 loop fresh(i) := fresh(i) or held(i); end loop;
      regs <= fresh;
      locked <= false;
    end procedure;
  begin
    awake := powered = '1' and enable = '1';
    if rising_edge(powered) or rising_edge(enable) then wake; end if;
    if strobe'event then
      case kind is
        when 'S' => regs(reg)(place) <= '1';
        when 'H' => regs(reg)(place) <= '1'; held(reg)(place) <= '1';
        when 'L' => held(reg)(place) <= '0';
        when 'B' => stuck(reg)(place) <= '1';
        when others => null;
      end case;
    end if;
    if falling_edge(ncs) then
      count := 0;
      taken := (others => '0');
      reply := any & regs(1)(9) & "101" & "00000000000";
      sdo <= 'Z';
    elsif rising_edge(ncs) then
      sdo <= 'Z';
      if awake and count > 0 then
        at := to_integer(unsigned(taken(14 downto 11)));
        word := taken(10 downto 1);
        if count /= 16 or ones(taken) mod 2 = 0 then
          regs(1)(8) <= '1';
        elsif taken(15) = '0' then
          case at is
            when 3 to 9 | 12 => if not locked then regs(at) <= word and not stuck(at); end if;
            when 10 => if word(9) = '1' then
                         for i in 0 to 2 loop regs(i) <= held(i); end loop;
                       end if;
            when 11 => if word(7 downto 0) = x"4B" then locked <= true; end if;
                       if word(7 downto 0) = x"B4" then locked <= false; end if;
                       regs(11) <= word;
            when others => null;
          end case;
        end if;
      end if;
    elsif ncs = '0' and awake and rising_edge(sclk) then
      if count = 5 then
        at := to_integer(unsigned(taken(3 downto 0)));
        case at is
          when 0 => word := regs(0); word(7) := some(regs(2)); word(0) := any;
          when 1 => word := regs(1); word(0) := '0'; if locked then word(0) := '1'; end if;
          when 10 | 13 | 14 => word := (others => '0');
          when others => word := regs(at);
        end case;
        reply(10 downto 1) := word;
        if ones(reply(15 downto 1)) mod 2 = 0 then reply(0) := '1'; end if;
      end if;
      -- the bit on the wire is turned over, not the one in the chip
      if count > 15 then sdo <= '0' after 25 ns;
      elsif 15 - count = flip then sdo <= not reply(15 - count) after 25 ns;
      else sdo <= reply(15 - count) after 25 ns; end if;
    elsif ncs = '0' and awake and falling_edge(sclk) then
      taken := taken(14 downto 0) & sdi;
      count := count + 1;
    end if;
  end process;
end architecture;

library ieee;
use ieee.std_logic_1164.all;
use ieee.numeric_std.all;
use std.textio.all;

entity bench is
  generic (script : string := "story.txt");
end entity;

architecture story of bench is
  signal sclk, mosi : std_logic := '0';
  signal ncs, enable : std_logic := '1';
  signal miso, nfault, driven, pull : std_logic;
  signal powered : std_logic := '1';
  signal sdo_state, reg, place : natural := 0;
  signal pin_broken, pin_pulled, strobe : boolean := false;
  signal kind : character := ' ';
  signal flip : integer := -1;
begin
  chip : entity work.quoll16
    port map (sclk, ncs, mosi, enable, powered, driven, pull, kind, reg, place, strobe, flip);
  miso <= driven when sdo_state = 0 else 'H' when sdo_state = 1 else 'L' when sdo_state = 2 else 'Z';
  -- open drain with a pull-up
  nfault <= 'H';
  nfault <= '0' when pin_pulled or (pull = '0' and (not pin_broken or powered /= '1' or enable /= '1')) else 'Z';

  process
    file steps : text open read_mode is script;
    variable row : line;
    variable word : character;
    variable a : std_logic_vector(3 downto 0);
    variable d : std_logic_vector(11 downto 0);
    variable raw : std_logic_vector(15 downto 0);
    variable number, second, clocks : natural := 16;

    procedure frame(bits : std_logic_vector(15 downto 0)) is
    begin
      ncs <= '0';
      wait for 150 ns;
      for i in 0 to clocks - 1 loop
        sclk <= '1';
        if i < 16 then mosi <= bits(15 - i) after 5 ns; else mosi <= '0' after 5 ns; end if;
        wait for 100 ns;
        sclk <= '0';
        wait for 100 ns;
      end loop;
      wait for 100 ns;
      ncs <= '1';
      mosi <= '0' after 20 ns;
      wait for 800 ns;
      clocks := 16;
      flip <= -1;
    end procedure;
    function odd(bits : std_logic_vector(14 downto 0)) return std_logic_vector is
      variable p : std_logic := '1';
    begin
      for i in bits'range loop p := p xor bits(i); end loop;
      return bits & p;
    end function;
  begin
    wait for 10 us;
    while not endfile(steps) loop
      readline(steps, row);
      next when row'length = 0;
      read(row, word);
      case word is
        when 'W' => hread(row, a); hread(row, d); frame(odd('0' & a & d(9 downto 0)));
        when 'R' => hread(row, a); frame(odd('1' & a & "0000000000"));
        when 'F' => hread(row, raw); frame(raw);
        when 'D' => read(row, number); wait for number * 1 us;
        when 'K' => read(row, number); clocks := number;
        when 'X' => read(row, number); flip <= number;
        when 'S' | 'H' | 'L' | 'B' =>
          if word = 'B' then hread(row, a); number := to_integer(unsigned(a)); else read(row, number); end if;
          read(row, second);
          kind <= word; reg <= number; place <= second; strobe <= not strobe;
        when 'P' => read(row, number); if number = 1 then powered <= '1'; else powered <= '0'; end if;
        when 'E' => read(row, number); if number = 1 then enable <= '1'; else enable <= '0'; end if;
        when 'M' => read(row, number); sdo_state <= number;
        when 'N' => read(row, number); pin_broken <= number = 1;
        when 'G' => read(row, number); pin_pulled <= number = 1;
        when others => report "unknown step" severity failure;
      end case;
      wait for 1 ns;
    end loop;
    wait for 1 us;
    std.env.finish;
  end process;
end architecture;
