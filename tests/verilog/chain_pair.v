// Two Numbat-24 in a daisy chain behind one select: read, unlocked, set up differently, locked; then the
// bootstrap supply of phase V falls in the second one. Everything is invented.
`timescale 1ns/1ns
module bench;
    reg  sclk = 0, ncs = 1, mosi = 0, enable = 0;
    wire miso, link, nfault0, nfault1;
    wire nfault = nfault0 & nfault1;
    numbat24 first  (.sclk(sclk), .ncs(ncs), .sdi(mosi), .enable(enable), .sdo(link), .nfault(nfault0));
    numbat24 second (.sclk(sclk), .ncs(ncs), .sdi(link), .enable(enable), .sdo(miso), .nfault(nfault1));

    localparam HALF = 125;             // 4 MHz
    integer i;
    function [7:0] crc(input [15:0] data);
        integer b;
        begin
            crc = 8'hFF;
            for (b = 15; b >= 0; b = b - 1)
                crc = (crc[7] ^ data[b]) ? {crc[6:0], 1'b0} ^ 8'h2F : {crc[6:0], 1'b0};
        end
    endfunction
    function [23:0] word(input [1:0] op, input [5:0] at, input [7:0] data);
        word = {op, at, data, crc({op, at, data})};
    endfunction
    task both(input [23:0] near, input [23:0] far);          // the far chip's word goes first; mode 0
        reg [47:0] all;
        begin
            all = {far, near};
            ncs = 0; mosi <= #5 all[47]; #200;
            for (i = 47; i >= 0; i = i - 1) begin
                sclk = 1; #HALF sclk = 0;
                if (i > 0) mosi <= #5 all[i - 1];
                #HALF;
            end
            #150 ncs = 1; mosi <= #20 0; #1000;
        end
    endtask
    task rd(input [5:0] at); both(word(1, at, 0), word(1, at, 0)); endtask
    task wr(input [5:0] at, input [7:0] near, input [7:0] far); both(word(2, at, near), word(2, at, far)); endtask

    integer round;
    initial begin
        $dumpfile("chain_pair.vcd");
        $dumpvars(0, sclk, ncs, mosi, miso, nfault, enable);
        #50_000 enable = 1;
        #2_700_000;
        rd(6); rd(3); rd(0);
        wr(6'h3E, 8'h5A, 8'h5A); wr(6'h3E, 8'hA5, 8'hA5);
        rd(0);
        both(word(3, 6'h0A, 8'h35), word(3, 6'h0A, 8'h35));
        wr(6'h11, 8'h07, 8'h09); wr(6'h12, 8'h07, 8'h09); wr(6'h13, 8'h07, 8'h09); wr(6'h14, 8'h07, 8'h09);
        rd(6'h11); rd(6'h12); rd(6'h13); rd(6'h14);
        wr(6'h3E, 8'h00, 8'h00);
        rd(0);
        for (round = 0; round < 4; round = round + 1) begin #900_000 rd(0); end
        #431_000 second.bootstrap_v;
        #500_000 rd(0); rd(3); rd(0);
        both(word(3, 6'h0A, 8'h35), word(3, 6'h0A, 8'h35));
        rd(3); rd(0);
        #100_000 $finish;
    end
endmodule
