-- A controller, a chip and the wires between them, with one mistake that a file names: verilog/mistakes.v once more, written
-- for a nine-value simulator. The first line of the file is the numbers below in their order, then come the words: four
-- replies to what is refused, and of each frame what is sent, what is taken, and four replies. Lines nobody drives are Z.
library ieee;
use ieee.std_logic_1164.all;
use ieee.numeric_std.all;
use std.textio.all;

entity mistakes is
  generic (script : string := "words");
end entity;

architecture bench of mistakes is
  constant HALF : time := 140 ns;
  constant GAP : time := 4 us;
  subtype word is std_logic_vector(63 downto 0);
  type table is array (0 to 1023) of word;
  type numbers is array (0 to 29) of integer;
  impure function read_numbers return numbers is
    file given : text open read_mode is script;
    variable row : line;
    variable got : numbers;
  begin
    readline(given, row);
    for i in numbers'range loop read(row, got(i)); end loop;
    return got;
  end function;
  impure function read_words return table is
    file given : text open read_mode is script;
    variable row : line;
    variable got : table := (others => (others => '0'));
    variable n : natural := 0;
  begin
    readline(given, row);
    while not endfile(given) loop
      readline(given, row);
      hread(row, got(n));
      n := n + 1;
    end loop;
    return got;
  end function;
  constant N : numbers := read_numbers;
  constant WORDS : table := read_words;
  -- what the chip is
  constant LENGTH : integer := N(0);
  constant BURST : integer := N(1);
  constant AFTERWARDS : integer := N(2);
  constant HEADER : integer := N(3);
  constant CHIP : integer := N(4);
  constant LSB : boolean := N(5) = 1;
  constant FRAMES : integer := N(7);
  -- the mistakes
  constant MODE : integer := N(8);
  constant REVERSED : boolean := N(9) = 1;
  constant BY_BYTES : boolean := N(10) = 1;
  constant SHIFT : integer := N(11);
  constant BEFORE : integer := N(12);
  constant BEHIND : integer := N(13);
  constant MERGE : boolean := N(14) = 1;
  constant SPLIT : integer := N(15);
  constant LATE : integer := N(16);
  constant NOT_MOSI : boolean := N(17) = 1;
  constant NOT_MISO : boolean := N(18) = 1;
  constant ECHO : integer := N(19);
  constant CHOICE : integer := N(20);
  constant GLITCH : boolean := N(21) = 1;
  constant NOISE_MOSI : boolean := N(22) = 1;
  constant NOISE_MISO : boolean := N(23) = 1;
  constant MOSI_IS : integer := N(24);
  constant MISO_IS : integer := N(25);
  constant MISO_FROM : integer := N(26);
  constant MISO_TO : integer := N(27);
  constant PROBES : integer := N(28);
  constant SAMPLE : integer := N(29);

  function logic(v : integer) return std_logic is
  begin
    case v is
      when 0 => return '0';
      when 1 => return '1';
      when others => return 'Z';
    end case;
  end function;
  constant ACTIVE : std_logic := logic(N(6));

  signal c_sclk : std_logic := logic(MODE / 2);
  signal c_select : std_logic := not ACTIVE;
  signal c_mosi, flip_mosi, flip_miso, echoed : std_logic := '0';
  signal k_select, k_mosi, k_miso, c_pin : std_logic;
  signal sdo : std_logic := 'Z';
  signal number : natural := 0;
  signal chosen : boolean := false;
  signal running, forced, done, tick : boolean := false;
  signal q_sclk, q_select, q_mosi, q_miso : std_logic;
  signal h_sclk, h_select, h_mosi, h_miso : std_logic := '0';
  signal sclk, ncs, cs, mosi, miso : std_logic;
begin
  -- between the two
  k_select <= ACTIVE when CHOICE = 1 else not ACTIVE when CHOICE = 2 else not c_select when CHOICE = 3 else c_select;
  k_mosi <= logic(MOSI_IS) when MOSI_IS >= 0 else c_mosi xor flip_mosi xor logic(N(17));
  forced <= MISO_IS >= 0 and number >= MISO_FROM and number < MISO_TO;
  echoed <= transport k_mosi after (ECHO + 1) * 1 ns;
  k_miso <= logic(MISO_IS) when forced else echoed when ECHO >= 0 else 'Z' when sdo = 'Z' else sdo xor flip_miso xor logic(N(18));
  chosen <= running and k_select = ACTIVE;

  -- the chip: samples on the one edge, launches on the other
  process (chosen, c_sclk)
    variable taken, reply : word := (others => '0');
    variable pipe_0, pipe_1 : word := WORDS(0);
    variable high, size, clocks, place, total, row : integer := 0;
    variable part, counter, refused : integer := 0;
    variable known, found : boolean := false;
    impure function at(position : integer) return integer is
    begin
      if LSB then return high - size + 1 + position; end if;
      return high - position;
    end function;
    procedure match(bits : integer) is      -- the row whose first bits were taken, from the one expected on
    begin
      found := false;
      reply := WORDS(2 * counter + refused);
      for seek in 0 to FRAMES - 1 loop
        row := (number + seek) mod FRAMES;
        if taken(LENGTH - 1 downto LENGTH - bits) = WORDS(4 + 6 * row + 1)(LENGTH - 1 downto LENGTH - bits) then
          found := true;
          reply := WORDS(4 + 6 * row + 2 + 2 * counter + refused);
          exit;
        end if;
      end loop;
    end procedure;
    procedure launch is
    begin
      if AFTERWARDS = 0 and not known and total >= HEADER then match(HEADER); known := true; end if;
      if place < LATE then sdo <= transport reply(at(0)) after 5 ns;
      elsif place < LATE + size then sdo <= transport reply(at(place - LATE)) after 5 ns;
      end if;
      place := place + 1;
    end procedure;
  begin
    if chosen'event and chosen then
      if part = 0 then
        taken := (others => '0'); total := 0; known := false;
        if AFTERWARDS = 0 then reply := WORDS(2 * counter + refused); else reply := pipe_0; end if;
        high := LENGTH - 1;
      else
        high := LENGTH - 1 - BURST;
      end if;
      if BURST = 0 then size := LENGTH; elsif part = 0 then size := BURST; else size := LENGTH - BURST; end if;
      clocks := 0; place := 0;
      if CHIP mod 2 = 0 then launch; end if;
    elsif chosen'event and not chosen then
      sdo <= transport 'Z' after 20 ns;
      if clocks = size and BURST /= 0 and part = 0 then
        part := 1;
      elsif clocks > 0 then
        part := 0;
        found := false;
        if clocks = size then match(LENGTH); end if;
        pipe_0 := pipe_1;
        if found then refused := 0; else reply := WORDS(2 * counter + 1); refused := 1; end if;
        if found then counter := 1 - counter; end if;
        if AFTERWARDS = 2 then pipe_1 := reply; else pipe_0 := reply; end if;
      end if;
    elsif c_sclk'event and chosen then
      if (c_sclk = '1') = (CHIP = 0 or CHIP = 3) then
        if clocks < size then
          if k_mosi = '1' then taken(at(clocks)) := '1'; else taken(at(clocks)) := '0'; end if;
        end if;
        clocks := clocks + 1; total := total + 1;
      else
        launch;
      end if;
    end if;
  end process;

  -- the controller
  process
    variable row : std_logic_vector(0 to 255);
    variable send : word;
    variable many, bits, first, amount, place : integer;
    variable state : integer := 4711;
    variable hit : boolean;
    impure function percent return integer is      -- Park and Miller's generator, by Schrage's division
    begin
      state := 16807 * (state mod 127773) - 2836 * (state / 127773);
      if state < 0 then state := state + 2147483647; end if;
      return (state / 16) mod 100;
    end function;
    procedure flips is
      variable a, b : std_logic := '0';
    begin
      if NOISE_MOSI and hit and percent < 12 then a := '1'; end if;
      if NOISE_MISO and hit and percent < 12 then b := '1'; end if;
      flip_mosi <= transport a after 2 ns;
      flip_miso <= transport b after 5 ns;
    end procedure;
    procedure give(count : integer) is
    begin
      for i in 0 to count - 1 loop
        flips;
        c_sclk <= not c_sclk;
        if MODE mod 2 = 1 then c_mosi <= transport row(i) after 2 ns; end if;
        if GLITCH and number mod 9 = 4 and i = count / 2 then
          wait for 40 ns; c_sclk <= not c_sclk; wait for 6 ns; c_sclk <= not c_sclk; wait for HALF - 46 ns;
        else
          wait for HALF;
        end if;
        c_sclk <= not c_sclk;
        if MODE mod 2 = 0 and i + 1 < count then c_mosi <= transport row(i + 1) after 2 ns; end if;
        wait for HALF;
      end loop;
    end procedure;
    procedure start is
    begin
      c_select <= ACTIVE;
      if MODE mod 2 = 0 then c_mosi <= transport row(0) after 2 ns; end if;
      wait for 350 ns;
    end procedure;
    procedure stop is
    begin
      wait for 350 ns;
      c_select <= not ACTIVE;
      wait for GAP;
    end procedure;
  begin
    wait for 10 ns;
    running <= true;
    wait for 9990 ns;
    while number < FRAMES loop
      send := WORDS(4 + 6 * number);
      if REVERSED then
        for j in 0 to LENGTH - 1 loop send(j) := WORDS(4 + 6 * number)(LENGTH - 1 - j); end loop;
      end if;
      if BY_BYTES then
        for j in 0 to LENGTH / 8 - 1 loop
          send(8 * j + 7 downto 8 * j) := WORDS(4 + 6 * number)(LENGTH - 1 - 8 * j downto LENGTH - 8 - 8 * j);
        end loop;
      end if;
      if SHIFT > 0 then send := std_logic_vector(shift_right(unsigned(send), SHIFT));
      else send := std_logic_vector(shift_left(unsigned(send), -SHIFT)); end if;
      many := 1;
      if BURST /= 0 then many := 2; end if;
      for b in 0 to many - 1 loop
        if many = 1 then bits := LENGTH; elsif b = 0 then bits := BURST; else bits := LENGTH - BURST; end if;
        if b = 0 then first := LENGTH - 1; else first := LENGTH - 1 - BURST; end if;
        row := (others => '0');
        amount := BEFORE;
        for j in 0 to bits - 1 loop
          place := first - j;
          if LSB then place := first - bits + 1 + j; end if;
          row(amount) := send(place);
          amount := amount + 1;
        end loop;
        amount := amount + BEHIND;
        hit := percent < 30;
        if SPLIT > 0 then
          for j in 0 to amount / SPLIT - 1 loop
            start; give(SPLIT); stop;
            row := row(SPLIT to 255) & (0 to SPLIT - 1 => '0');
          end loop;
        else
          if not (MERGE and number mod 2 = 1) then start;
          elsif MODE mod 2 = 0 then c_mosi <= transport row(0) after 2 ns; wait for HALF; end if;
          give(amount);
          if not (MERGE and number mod 2 = 0) then stop; end if;
        end if;
      end loop;
      wait for GAP;
      number <= number + 1;
      wait for 1 ns;
    end loop;
    wait for 10 us;
    done <= true;
    std.env.finish;
  end process;

  -- what the probes see
  c_pin <= k_select when CHOICE /= 0 else c_select;
  q_sclk <= c_pin when PROBES = 2 else k_mosi when PROBES = 3 else c_sclk;
  q_select <= c_sclk when PROBES = 2 else not c_pin when PROBES = 4 else c_pin;
  q_mosi <= k_miso when PROBES = 1 else c_sclk when PROBES = 3 or PROBES = 5 else k_mosi;
  q_miso <= k_mosi when PROBES = 1 or PROBES = 6 else k_miso;
  process
  begin
    if SAMPLE = 0 then wait; end if;
    wait for SAMPLE * 1 ns;
    h_sclk <= q_sclk; h_select <= q_select; h_mosi <= q_mosi; h_miso <= q_miso;
  end process;
  sclk <= h_sclk when SAMPLE > 0 else q_sclk;
  ncs <= h_select when SAMPLE > 0 else q_select;
  cs <= ncs;
  mosi <= h_mosi when SAMPLE > 0 else q_mosi;
  miso <= h_miso when SAMPLE > 0 else q_miso;
end architecture;
