// An SPI controller, a chip's pins and the wires between them, with one mistake at a time: what a probe records is the
// scope `probe`. The words stand in a file, a line for each select: how many clocks, the bits sent, the bits that the chip
// answers (z: it does not), whether the frame ends there. What the chip samples goes to another file. Invented.
`timescale 1ns/1ns

module probe(input sclk, input sel, input mosi, input miso);
endmodule

module bench;
    // SPI modes of controller and chip, level that selects, wires to and from the chip (0 sound, 1 inverted, 2 low, 3 high,
    // 4 open, 5 noisy; from the chip 6 low, 7 high for some frames), select (0 sound, 1 inverted, 2 tied, 3 never)
    integer mode = 1, chip = 1, act = 0, up = 0, down = 0, pin = 0;
    integer echo = -1, glitch = 0, late = 0, every = 0, first = 0, last = 1000000;
    // what the probes of clock, select, SDI and SDO are on (0 to 3 in this order; 10 more: inverted)
    integer frame = 0, on_clk = 0, on_sel = 1, on_sdi = 2, on_sdo = 3;
    localparam HALF = 140, GAP = 4000;

    reg clk_out, sel_out, sdi_out = 0, spike = 0, flip_up = 0, flip_down = 0;
    reg out = 1'bz, echoed = 0;
    wire clk = clk_out ^ spike;
    wire sel = pin == 2 ? act[0] : pin == 3 ? ~act[0] : sel_out;
    wire sdi = up == 0 ? sdi_out : up == 1 ? ~sdi_out : up == 2 ? 1'b0 : up == 3 ? 1'b1 : up == 4 ? 1'bz : sdi_out ^ flip_up;
    wire hurt = frame >= first && frame < last;
    wire driven = out !== 1'bz;
    wire sdo = echo >= 0 ? echoed
             : down == 0 ? out
             : down == 1 ? (driven ? ~out : 1'bz)
             : down == 2 || (down == 6 && hurt) ? 1'b0
             : down == 3 || (down == 7 && hurt) ? 1'b1
             : down == 4 ? 1'bz
             : down == 5 ? (driven ? out ^ flip_down : 1'bz) : out;
    always @(sdi) echoed <= #(echo < 0 ? 0 : echo) sdi;

    // --- the probe
    function on(input integer what);
        case (what)
            0: on = clk;    1: on = sel;    2: on = sdi;    3: on = sdo;
            10: on = ~clk;  11: on = ~sel;  12: on = ~sdi;  default: on = ~sdo;
        endcase
    endfunction
    reg a, b, c, d;
    always @(clk or sel or sdi or sdo) if (every == 0) look;
    task look; begin a = on(on_clk); b = on(on_sel); c = on(on_sdi); d = on(on_sdo); end endtask
    initial begin
        #1 look;
        while (every > 0) #(every) look;
    end
    probe probe(.sclk(a), .sel(b), .mosi(c), .miso(d));

    // --- the chip
    reg [8*256:1] sent, answer;
    integer clocks = 0, place = 0, seen, noise = 5;
    wire selected = sel === act[0];
    function sampling(input integer m); sampling = m == 0 || m == 3; endfunction
    task launch;
        integer at;
        begin
            at = place < late ? 0 : place - late;
            if (at < clocks) begin
                if (down == 5) flip_down = hit(frame) && ($unsigned($random(noise)) % 100 < 12);
                case (answer[8*(clocks-at) -: 8])
                    "0": out <= #5 1'b0;
                    "1": out <= #5 1'b1;
                    default: out <= #5 1'bz;
                endcase
                place = place + 1;
            end
        end
    endtask
    always @(posedge selected) begin
        place = 0;
        if (clocks == 0) out <= 1'b0;  // selected for ever: it shifts what it has, which is nothing
        else if (chip % 2 == 0) launch;
        else if (answer[8*clocks -: 8] != "z") out <= #5 1'b0;
    end
    always @(negedge selected) begin
        if ($time > 0) $fwrite(seen, "\n");
        out <= #20 1'bz;
    end
    always @(clk) if (selected && $time > 0) begin
        if (clk === sampling(chip)) $fwrite(seen, "%b", sdi);
        else launch;
    end

    // --- the controller
    integer words, ends, edges, i, got;
    reg [8*256:1] name, told;
    function hit(input integer number); hit = (number * 7919 + 13) % 101 < 30; endfunction
    task put(input integer at);
        begin
            #2 sdi_out = sent[8*(clocks-at) -: 8] == "1";
            if (up == 5) flip_up = hit(frame) && ($unsigned($random(noise)) % 100 < 12);
        end
    endtask
    task half;
        begin
            clk_out = ~clk_out;
            edges = edges + 1;
        end
    endtask
    task pass(input integer gone);  // the rest of a half, with a spike in the middle of some frames
        if (glitch && frame % 9 == 4 && edges == clocks + 1) begin
            #(40 - gone) spike = 1; #6 spike = 0; #(HALF - 46);
        end else #(HALF - gone);
    endtask
    initial begin
        if ($value$plusargs("mode=%d", mode)) ; if ($value$plusargs("chip=%d", chip)) ; if ($value$plusargs("act=%d", act)) ;
        if ($value$plusargs("up=%d", up)) ; if ($value$plusargs("down=%d", down)) ; if ($value$plusargs("pin=%d", pin)) ;
        if ($value$plusargs("echo=%d", echo)) ; if ($value$plusargs("glitch=%d", glitch)) ; if ($value$plusargs("late=%d", late)) ;
        if ($value$plusargs("every=%d", every)) ; if ($value$plusargs("first=%d", first)) ; if ($value$plusargs("last=%d", last)) ;
        if ($value$plusargs("on_clk=%d", on_clk)) ; if ($value$plusargs("on_sel=%d", on_sel)) ;
        if ($value$plusargs("on_sdi=%d", on_sdi)) ; if ($value$plusargs("on_sdo=%d", on_sdo)) ;
        if ($value$plusargs("words=%s", name)) words = $fopen(name, "r");
        if ($value$plusargs("seen=%s", told)) seen = $fopen(told, "w");
        $dumpfile("lines.vcd");
        $dumpvars(0, probe);
        clk_out = mode / 2;
        sel_out = ~act[0] ^ (pin == 1);
        #10_000;
        got = $fscanf(words, "%d %s %s %d\n", clocks, sent, answer, ends);
        while (got == 4) begin
            edges = 0;
            sel_out = ~sel_out;
            if (mode % 2 == 0) begin put(0); #348; end else #350;
            for (i = 0; i < clocks; i = i + 1) begin
                half;
                if (mode % 2 == 1) begin put(i); pass(2); end else pass(0);
                half;
                if (mode % 2 == 0 && i + 1 < clocks) begin put(i + 1); pass(2); end else pass(0);
            end
            #350 sel_out = ~sel_out;
            #(GAP);
            if (ends) begin #(GAP) frame = frame + 1; end
            got = $fscanf(words, "%d %s %s %d\n", clocks, sent, answer, ends);
        end
        #10_000 $finish;
    end
endmodule
