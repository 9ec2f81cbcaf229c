// A controller brings a Quoll-16 up for the coolant pump, locks it, polls it; then phase U is shorted to
// the supply. Everything is invented. The value change dump is the simulator's own.
`timescale 1ns/1ns
module bench;
    reg  sclk = 0, ncs = 1, mosi = 0, enable = 0;
    wire miso, nfault;
    quoll16 chip (.sclk(sclk), .ncs(ncs), .sdi(mosi), .enable(enable), .sdo(miso), .nfault(nfault));

    localparam HALF = 100;             // 5 MHz
    reg [15:0] got;
    integer i;

    task frame(input [15:0] word);     // mode 1
        begin
            ncs = 0; #150;
            for (i = 15; i >= 0; i = i - 1) begin
                sclk = 1; mosi <= #5 word[i]; #HALF;
                got[i] = miso; sclk = 0; #HALF;
            end
            #100 ncs = 1; mosi <= #20 0; #800;
        end
    endtask
    function [15:0] odd(input [14:0] top); odd = {top, ~(^top)}; endfunction
    task rd(input [3:0] at); frame(odd({1'b1, at, 10'b0})); endtask
    task wr(input [3:0] at, input [9:0] word); frame(odd({1'b0, at, word})); endtask
    task same(input [9:0] want);
        if (got[10:1] !== want) begin $display("FAILED: read %h, wanted %h", got[10:1], want); $finish; end
    endtask

    wire [9:0] mode     = {1'b0, 1'b0, 2'd2, 2'd2, 2'd2, 2'd2};      // 6 ms, latch, latch, six inputs
    wire [9:0] gate     = {2'd2, 4'd9, 4'd8};              // 240 mA, 160 mA, 120 mA
    wire [9:0] timing   = {2'd2, 2'd1, 2'd2, 1'b0, 3'd5};  // 1 us, 2 us, 2 us, 1 us
    wire [9:0] vds      = {2'd0, 4'd6, 4'd0};              // 250 mV
    wire [9:0] sense    = {1'b1, 2'd1, 2'd1, 1'b0, 1'b0, 1'b1, 2'd2};  // 2.2 us, 27 mV, half, x36
    wire [9:0] supply   = {2'd0, 2'd1, 2'd0, 1'b0, 1'b0, 2'd0};       // 20 V, 5.5 V
    wire [9:0] watchdog = {6'd0, 1'b1, 2'd2, 1'b1};        // stop, 60 ms, on
    integer round;

    initial begin
        $dumpfile("pump_short.vcd");
        $dumpvars(0, sclk, ncs, mosi, miso, nfault, enable);
        #100_000 enable = 1;
        #1_150_000;
        rd(1); same(10'h200);
        rd(15); same(10'h161);
        wr(11, 10'h0B4);
        wr(10, 10'h200);
        wr(3, mode); wr(4, gate); wr(5, gate); wr(6, timing);
        wr(7, vds); wr(8, sense); wr(12, supply); wr(9, watchdog);
        rd(3); same(mode); rd(4); same(gate); rd(5); same(gate); rd(6); same(timing);
        rd(7); same(vds); rd(8); same(sense); rd(12); same(supply); rd(9); same(watchdog);
        wr(11, 10'h04B);
        rd(1); same(10'h001);
        for (round = 0; round < 9; round = round + 1) begin
            #4_950_000 rd(0);
            if (round == 8) wr(10, 10'h00B);               // serves the watchdog
        end
        #2_345_678 chip.vds_low_u;
        #2_600_000 rd(0); same(10'h041); rd(1); rd(2);
        #50_000 wr(10, 10'h200); rd(0); same(10'h000); rd(1); same(10'h001);
        #4_900_000 rd(0);
        #200_000 $display("done"); $finish;
    end
endmodule
