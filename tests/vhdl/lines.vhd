-- An SPI controller, a chip's pins and the wires between them, with one mistake at a time: what a probe records is the
-- scope `probe`, with nine values. The words stand in the file `words`, a line for each select: how many clocks, the bits sent,
-- the bits that the chip answers (z: it does not), whether the frame ends there. What the chip samples goes to `seen`. Invented.
library ieee;
use ieee.std_logic_1164.all;

entity recorder is
  port (sclk, sel, mosi, miso : in std_logic);
end entity;

architecture empty of recorder is
begin
end architecture;

library ieee;
use ieee.std_logic_1164.all;
use ieee.math_real.all;
use std.textio.all;

entity lines is
  generic (mode : natural := 1;    -- SPI mode of the controller
           chip_mode : natural := 1;    -- and of the chip
           act : natural := 0;          -- level that selects
           -- wires to and from the chip: 0 sound, 1 inverted, 2 low, 3 high, 4 open, 5 noisy; from the chip 6 low and 7 high
           -- for the frames from `first` to before `last`
           up, down : natural := 0;
           pin : natural := 0;          -- select: 0 sound, 1 inverted, 2 tied, 3 never
           echo : integer := -1;        -- SDO carries SDI, so many ns later
           glitch, late, every, first : natural := 0;  -- spikes, replies so many clocks late, the analyser looks every so many ns
           last : natural := 1000000;
           -- what the probes are on: 0 clock, 1 select, 2 SDI, 3 SDO; 10 more: inverted
           on_clk : natural := 0; on_sel : natural := 1; on_sdi : natural := 2; on_sdo : natural := 3);
end entity;

architecture bench of lines is
  constant HALF : time := 140 ns;
  constant GAP  : time := 4 us;
  constant ACTIVE : std_logic := std_logic'value("'" & integer'image(act)(1) & "'");

  signal clk_out : std_logic := std_logic'value("'" & integer'image(mode / 2)(1) & "'");
  signal sel_out : std_logic := (not ACTIVE) xor std_logic'value("'" & integer'image(boolean'pos(pin = 1))(1) & "'");
  signal sdi_out, spike, flip_up, flip_down : std_logic := '0';
  signal chip_out : std_logic := 'Z';
  signal clk, sel, sdi, sdo, echoed : std_logic;
  signal a, b, c, d : std_logic;
  signal frame, clocks : natural := 0;
  signal answer : string(1 to 256) := (others => 'z');
  signal ended : boolean := false;

  function noisy(number : natural) return boolean is
  begin
    return (number * 7919 + 13) mod 101 < 30;
  end function;
  -- what a line is after a wire of a kind; `hurt`: within the frames that are disturbed
  function wire(kind : natural; level, flip : std_logic; hurt : boolean) return std_logic is
  begin
    case kind is
      when 1 => if level = 'Z' then return 'Z'; end if; return not level;
      when 2 => return '0';
      when 3 => return '1';
      when 4 => return 'Z';
      when 5 => if level = 'Z' then return 'Z'; end if; return level xor flip;
      when 6 => if hurt then return '0'; end if; return level;
      when 7 => if hurt then return '1'; end if; return level;
      when others => return level;
    end case;
  end function;
begin
  clk <= clk_out xor spike;
  sel <= ACTIVE when pin = 2 else not ACTIVE when pin = 3 else sel_out;
  sdi <= wire(up, sdi_out, flip_up, false);
  echoed <= transport sdi after (echo * 1 ns) when echo >= 0 else '0';
  sdo <= echoed when echo >= 0 else wire(down, chip_out, flip_down, frame >= first and frame < last);

  -- the probe: on which lines, inverted or not, at once or every so many ns
  look : process
    function level(what : natural; k, s, i, o : std_logic) return std_logic is
      variable found : std_logic;
    begin
      case what mod 10 is
        when 0 => found := k;
        when 1 => found := s;
        when 2 => found := i;
        when others => found := o;
      end case;
      if what >= 10 then return not found; end if;
      return found;
    end function;
  begin
    if every = 0 then
      wait on clk, sel, sdi, sdo for 1 ms;
    else
      wait for every * 1 ns;
    end if;
    a <= level(on_clk, clk, sel, sdi, sdo);
    b <= level(on_sel, clk, sel, sdi, sdo);
    c <= level(on_sdi, clk, sel, sdi, sdo);
    d <= level(on_sdo, clk, sel, sdi, sdo);
    if ended then wait; end if;
  end process;
  probe : entity work.recorder port map (sclk => a, sel => b, mosi => c, miso => d);

  chip : process
    file seen : text open write_mode is "seen";
    variable told : line;
    variable place : natural := 0;
    variable one, two : positive := 5;
    variable draw : real;
    variable sampling : std_logic;
    procedure launch is
      variable at : natural := 0;
    begin
      if place > late then at := place - late; end if;
      if at < clocks then
        if down = 5 then
          uniform(one, two, draw);
          flip_down <= '0';
          if noisy(frame) and draw < 0.12 then flip_down <= '1'; end if;
        end if;
        case answer(at + 1) is
          when '0' => chip_out <= transport '0' after 5 ns;
          when '1' => chip_out <= transport '1' after 5 ns;
          when others => chip_out <= transport 'Z' after 5 ns;
        end case;
        place := place + 1;
      end if;
    end procedure;
  begin
    sampling := '0';
    if chip_mode = 0 or chip_mode = 3 then sampling := '1'; end if;
    wait on sel, clk;
    if sel'event and sel = ACTIVE then
      place := 0;
      if clocks > 0 then
        if chip_mode mod 2 = 0 then
          launch;
        elsif answer(1) /= 'z' then
          chip_out <= transport '0' after 5 ns;
        end if;
      end if;
    elsif sel'event and now > 0 ns and clocks > 0 then
      writeline(seen, told);
      chip_out <= transport 'Z' after 20 ns;
    elsif clk'event and sel = ACTIVE and now > 0 ns then
      if clk = sampling then
        if sdi = '0' then write(told, character'('0'));
        elsif sdi = '1' then write(told, character'('1'));
        else write(told, character'('z')); end if;
      else
        launch;
      end if;
    end if;
  end process;

  controller : process
    file words : text open read_mode is "words";
    variable given : line;
    variable count, ends : natural;
    variable sent, got : string(1 to 256);
    variable blank : character;
    variable edges : natural;
    variable one, two : positive := 7;
    variable draw : real;
    procedure put(at : natural) is
    begin
      wait for 2 ns;
      sdi_out <= '0';
      if sent(at + 1) = '1' then sdi_out <= '1'; end if;
      if up = 5 then
        uniform(one, two, draw);
        flip_up <= '0';
        if noisy(frame) and draw < 0.12 then flip_up <= '1'; end if;
      end if;
    end procedure;
    procedure toggle is
    begin
      clk_out <= not clk_out;
      edges := edges + 1;
    end procedure;
    procedure pass(gone : time) is  -- the rest of a half, with a spike in the middle of some frames
    begin
      if glitch = 1 and frame mod 9 = 4 and edges = count + 1 then
        wait for 40 ns - gone;
        spike <= '1';
        wait for 6 ns;
        spike <= '0';
        wait for HALF - 46 ns;
      else
        wait for HALF - gone;
      end if;
    end procedure;
  begin
    wait for 10 us;
    while not endfile(words) loop
      readline(words, given);
      read(given, count);
      read(given, blank);
      read(given, sent(1 to count));
      read(given, blank);
      read(given, got(1 to count));
      read(given, ends);
      clocks <= count;
      answer <= got;
      wait for 0 ns;
      edges := 0;
      sel_out <= not sel_out;
      if mode mod 2 = 0 then
        put(0);
        wait for 348 ns;
      else
        wait for 350 ns;
      end if;
      for i in 0 to count - 1 loop
        toggle;
        if mode mod 2 = 1 then put(i); pass(2 ns); else pass(0 ns); end if;
        toggle;
        if mode mod 2 = 0 and i + 1 < count then put(i + 1); pass(2 ns); else pass(0 ns); end if;
      end loop;
      wait for 350 ns;
      sel_out <= not sel_out;
      wait for GAP;
      if ends = 1 then
        wait for GAP;
        frame <= frame + 1;
      end if;
    end loop;
    wait for 10 us;
    ended <= true;
    std.env.finish;
  end process;
end architecture;
