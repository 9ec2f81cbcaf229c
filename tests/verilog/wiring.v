// A controller that may be set up wrongly, and a Quoll-16 that answers as physics has it. MODE is the
// controller's SPI mode (the chip needs 1), CLOCKS the clocks it gives, LSB whether it sends the low bit first.
`timescale 1ns/1ns
module bench;
    parameter MODE = 1;
    parameter CLOCKS = 16;
    parameter LSB = 0;
    localparam CPOL = MODE / 2;
    localparam CPHA = MODE % 2;
    localparam HALF = 100;

    reg  sclk = CPOL, ncs = 1, mosi = 0, enable = 0;
    wire miso, nfault;
    quoll16 chip (.sclk(sclk), .ncs(ncs), .sdi(mosi), .enable(enable), .sdo(miso), .nfault(nfault));

    integer i;
    function bit_of(input [15:0] word, input integer at);
        bit_of = at > 15 ? 1'b0 : LSB ? word[at] : word[15 - at];
    endfunction
    task frame(input [15:0] word);
        begin
            ncs = 0;
            if (!CPHA) mosi <= #5 bit_of(word, 0);
            #150;
            for (i = 0; i < CLOCKS; i = i + 1) begin
                sclk = ~sclk;                                    // leading edge
                if (CPHA) mosi <= #5 bit_of(word, i);
                #HALF sclk = ~sclk;                              // trailing edge
                if (!CPHA && i + 1 < CLOCKS) mosi <= #5 bit_of(word, i + 1);
                #HALF;
            end
            #100 ncs = 1; mosi <= #20 0; #800;
        end
    endtask
    function [15:0] odd(input [14:0] top); odd = {top, ~(^top)}; endfunction
    task rd(input [3:0] at); frame(odd({1'b1, at, 10'b0})); endtask
    task wr(input [3:0] at, input [9:0] word); frame(odd({1'b0, at, word})); endtask

    integer round;
    initial begin
        $dumpfile("wiring.vcd");
        $dumpvars(0, sclk, ncs, mosi, miso, nfault, enable);
        #100_000 enable = 1;
        #1_150_000;
        rd(1); rd(15);
        wr(10, 10'h200); wr(3, 10'h0AA); wr(4, 10'h2B8); wr(5, 10'h2B8); wr(6, 10'h264); wr(7, 10'h060);
        rd(3); rd(4); rd(5); rd(6); rd(7); rd(15);
        wr(11, 10'h04B);
        for (round = 0; round < 6; round = round + 1) begin #200_000 rd(0); rd(1); end
        #20_000 $finish;
    end
endmodule
