// A controller, a chip and the wires between them, with one mistake that the command line names (+mode=0, +late=1 ...).
// Any chip of at most 64 bits: what it is comes by the command line too, what is said on the wires from a file of words
// (+words=FILE for $readmemh): four replies to what is refused, then for each frame what firmware sends, what the chip
// takes, and four replies. Of four replies: bit 1 is the reply's counter, bit 0 whether a frame was refused before.
// The edges, what is taken or refused, when it is answered and what the probes see are this bench's own.
`timescale 1ns/1ns
module bench;
    localparam HALF = 140;
    localparam GAP = 4000;
    reg [63:0] words [0:1023];
    reg [8*256:1] file;

    // the chip
    integer length = 16, burst = 0, after = 0, header = 0, chip = 0, lsb = 0, level = 0, frames = 0;
    // the mistakes
    integer mode = 0, reversed = 0, bytes = 0, shift = 0, before = 0, behind = 0, merge = 0, split = 0, late = 0;
    integer not_mosi = 0, not_miso = 0, echo = -1, select = 0, glitch = 0, noise_mosi = 0, noise_miso = 0;
    integer mosi_is = -1, miso_is = -1, miso_from = 0, miso_to = 1 << 30;
    integer probes = 0, sample = 0;

    reg c_sclk = 0, c_select = 0, c_mosi = 0, hit = 0, running = 0;
    integer number = 0, i, j, n;
    reg [0:255] line;

    function value(input integer which);
        value = which == 0 ? 1'b0 : which == 1 ? 1'b1 : 1'bz;
    endfunction

    // ---- between the two
    reg flip_mosi = 0, flip_miso = 0;
    wire k_select = select == 1 ? level : select == 2 ? 1 - level : select == 3 ? ~c_select : c_select;
    wire k_mosi = mosi_is >= 0 ? value(mosi_is) : c_mosi ^ not_mosi[0] ^ flip_mosi;
    reg  sdo = 1'bz, echoed = 0;
    wire forced = miso_is >= 0 && number >= miso_from && number < miso_to;
    wire k_miso = forced ? value(miso_is) : echo >= 0 ? echoed : sdo === 1'bz ? 1'bz : sdo ^ not_miso[0] ^ flip_miso;
    always @(k_mosi) echoed <= #(echo < 0 ? 0 : echo) k_mosi;

    // ---- the chip: samples on the one edge, launches on the other
    reg [63:0] taken, out;
    reg [63:0] pipe [0:1];
    reg count_bit = 0, refused = 0, known, found;
    integer high, size, clocks, place, part = 0, total, row, seek;
    wire chosen = running && k_select === level[0];
    wire sampling = chip == 0 || chip == 3;

    function integer at(input integer position);
        at = lsb ? high - size + 1 + position : high - position;
    endfunction
    task match(input integer bits);           // the row whose first bits were taken, from the one expected on
        begin
            found = 0;
            for (seek = 0; seek < frames && !found; seek = seek + 1) begin
                row = (number + seek) % frames;
                found = (taken >> (length - bits)) == (words[4 + 6 * row + 1] >> (length - bits));
            end
            out = found ? words[4 + 6 * row + 2 + 2 * count_bit + refused] : words[2 * count_bit + refused];
        end
    endtask
    task launch;
        begin
            if (after == 0 && !known && total >= header) begin match(header); known = 1; end
            if (place >= late + size) ; else if (place < late) sdo <= #5 out[at(0)]; else sdo <= #5 out[at(place - late)];
            place = place + 1;
        end
    endtask
    always @(posedge chosen) begin
        if (part == 0) begin
            taken = 0; total = 0; known = 0;
            out = after == 0 ? words[2 * count_bit + refused] : pipe[0];
        end
        high = part == 0 ? length - 1 : length - 1 - burst;
        size = burst == 0 ? length : part == 0 ? burst : length - burst;
        clocks = 0; place = 0;
        if (chip % 2 == 0) launch;
    end
    always @(c_sclk) if (chosen) begin
        if (c_sclk === sampling) begin
            if (clocks < size) taken[at(clocks)] = k_mosi === 1'b1;
            clocks = clocks + 1; total = total + 1;
        end else launch;
    end
    always @(negedge chosen) begin
        sdo <= #20 1'bz;
        if (clocks == size && burst != 0 && part == 0) part = 1;
        else if (clocks > 0) begin
            part = 0;
            found = 0;
            if (clocks == size) match(length);
            pipe[0] = pipe[1];
            if (found) begin
                pipe[after == 2] = out; count_bit = ~count_bit; refused = 0;
            end else begin
                pipe[after == 2] = words[2 * count_bit + 1]; refused = 1;
            end
        end
    end

    // ---- the controller
    task raise; begin c_select = level; if (mode % 2 == 0) c_mosi <= #2 line[0]; #350; end endtask
    task give(input integer from, input integer amount);
        for (i = from; i < from + amount; i = i + 1) begin
            flips;
            c_sclk = ~c_sclk;
            if (mode % 2) c_mosi <= #2 line[i];
            if (glitch && number % 9 == 4 && i == from + amount / 2) begin
                #40 c_sclk = ~c_sclk; #6 c_sclk = ~c_sclk; #(HALF - 46);
            end else #HALF;
            c_sclk = ~c_sclk;
            if (mode % 2 == 0 && i + 1 < from + amount) c_mosi <= #2 line[i + 1];
            #HALF;
        end
    endtask
    task flips;
        begin
            flip_mosi <= #2 noise_mosi && hit && $urandom % 100 < 12;
            flip_miso <= #5 noise_miso && hit && $urandom % 100 < 12;
        end
    endtask
    task lower; begin #350 c_select = 1 - level; #GAP; end endtask

    reg [63:0] word, turned;
    task frame(input integer which, input integer joined, input integer open);
        integer bits, first, b, many;
        begin
            word = words[4 + 6 * which];
            if (reversed) begin
                for (j = 0; j < length; j = j + 1) turned[j] = word[length - 1 - j];
                word = turned;
            end
            if (bytes) begin
                for (j = 0; j < length; j = j + 8) turned[j +: 8] = word[length - 8 - j +: 8];
                word = turned;
            end
            if (shift > 0) word = word >> shift; else word = word << -shift;
            many = burst == 0 ? 1 : 2;
            for (b = 0; b < many; b = b + 1) begin
                bits = many == 1 ? length : b == 0 ? burst : length - burst;
                first = b == 0 ? length - 1 : length - 1 - burst;
                line = 0; n = before;
                for (j = 0; j < bits; j = j + 1) begin
                    line[n] = word[lsb ? first - bits + 1 + j : first - j];
                    n = n + 1;
                end
                n = n + behind;
                hit = $urandom % 100 < 30;
                if (split) for (j = 0; j < n; j = j + split) begin
                    line = j == 0 ? line : line << split;
                    raise; give(0, split); lower;
                end else begin
                    if (!joined) raise;
                    else if (mode % 2 == 0) begin c_mosi <= #2 line[0]; #HALF; end
                    give(0, n);
                    if (!open) lower;
                end
            end
            #GAP number = number + 1;
        end
    endtask

    // ---- what the probes see
    wire q_sclk = probes == 2 ? c_pin : probes == 3 ? k_mosi : c_sclk;
    wire c_pin = select == 1 || select == 2 || select == 3 ? k_select : c_select;
    wire q_select = probes == 2 ? c_sclk : probes == 4 ? ~c_pin : c_pin;
    wire q_mosi = probes == 1 ? k_miso : probes == 3 ? c_sclk : probes == 5 ? c_sclk : k_mosi;
    wire q_miso = probes == 1 ? k_mosi : probes == 6 ? k_mosi : k_miso;
    reg tick = 0;
    reg [3:0] held = 0;
    always begin #(sample > 0 ? sample : 1000) tick = ~tick; if (sample > 0) held = {q_sclk, q_select, q_mosi, q_miso}; end
    wire sclk = sample ? held[3] : q_sclk;
    wire ncs = sample ? held[2] : q_select;
    wire cs = sample ? held[2] : q_select;
    wire mosi = sample ? held[1] : q_mosi;
    wire miso = sample ? held[0] : q_miso;

    initial begin
        if (!$value$plusargs("words=%s", file)) $finish;
        $readmemh(file, words);
        i = $value$plusargs("length=%d", length) + $value$plusargs("burst=%d", burst) + $value$plusargs("after=%d", after)
          + $value$plusargs("header=%d", header) + $value$plusargs("chip=%d", chip) + $value$plusargs("lsb=%d", lsb)
          + $value$plusargs("level=%d", level) + $value$plusargs("frames=%d", frames);
        mode = chip;
        i = $value$plusargs("mode=%d", mode) + $value$plusargs("reversed=%d", reversed) + $value$plusargs("bytes=%d", bytes)
          + $value$plusargs("shift=%d", shift) + $value$plusargs("before=%d", before) + $value$plusargs("behind=%d", behind)
          + $value$plusargs("merge=%d", merge) + $value$plusargs("split=%d", split) + $value$plusargs("late=%d", late)
          + $value$plusargs("not_mosi=%d", not_mosi) + $value$plusargs("not_miso=%d", not_miso) + $value$plusargs("echo=%d", echo)
          + $value$plusargs("select=%d", select) + $value$plusargs("glitch=%d", glitch)
          + $value$plusargs("noise_mosi=%d", noise_mosi) + $value$plusargs("noise_miso=%d", noise_miso)
          + $value$plusargs("mosi_is=%d", mosi_is) + $value$plusargs("miso_is=%d", miso_is)
          + $value$plusargs("miso_from=%d", miso_from) + $value$plusargs("miso_to=%d", miso_to)
          + $value$plusargs("probes=%d", probes) + $value$plusargs("sample=%d", sample);
        pipe[0] = words[0]; pipe[1] = words[0];
        c_sclk = mode / 2; c_select = 1 - level;
        #10;
        running = 1;
        $dumpfile("mistakes.vcd");
        if (probes == 7) $dumpvars(0, sclk, mosi, miso);
        else if (level) $dumpvars(0, sclk, cs, mosi, miso);
        else $dumpvars(0, sclk, ncs, mosi, miso);
        #9_990;
        while (number < frames) frame(number, merge && number % 2 == 1, merge && number % 2 == 0);
        #10_000 $finish;
    end
endmodule
