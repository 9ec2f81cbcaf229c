// The invented gate driver Numbat-24, as its data sheet says: 24-bit frames, CRC-8 (0x2F, all ones), SPI
// mode 0, the reply to a frame comes with the next one, and bits beyond the 24th leave the chip again,
// so that several stand in a line. Written from the map's prose, not from any code of this project.
`timescale 1ns/1ns
module numbat24 (
    input  wire sclk, ncs, sdi, enable,
    output wire sdo,
    output wire nfault
);
    localparam RESPONSE = 30;
    reg [7:0]  regs [0:63];
    reg        unlocked, half, awake, toggle, bad;
    reg [23:0] shift;
    reg [15:0] head;                   // what the next reply carries
    reg        level;
    integer    count, k;

    assign sdo = (ncs || !awake) ? 1'bz : level;

    function [7:0] crc(input [15:0] data);
        integer b;
        begin
            crc = 8'hFF;
            for (b = 15; b >= 0; b = b - 1)
                crc = (crc[7] ^ data[b]) ? {crc[6:0], 1'b0} ^ 8'h2F : {crc[6:0], 1'b0};
        end
    endfunction

    wire any = |regs[1][5:0] | |regs[2][5:0] | |regs[3][7:1] | |regs[4][5:3] | regs[5][7] | regs[5][5] | regs[5][0];
    wire warn = regs[5][6] | |regs[5][4:1] | |regs[4][2:0];
    assign nfault = ~(awake & any);
    wire [7:0] state = {any, ~unlocked, warn, regs[8][7], |regs[1][5:0], |regs[2][5:0],
                        |regs[3][7:2], regs[5][7] | regs[5][5] | regs[5][0]};

    task reset;
        begin
            for (k = 0; k < 64; k = k + 1) regs[k] = 0;
            regs[3] = 8'h01; regs[6] = 8'h4E; regs[7] = 8'h12;
            regs[6'h11] = 8'h04; regs[6'h12] = 8'h04; regs[6'h13] = 8'h04; regs[6'h14] = 8'h04;
            regs[6'h15] = 8'h11; regs[6'h16] = 8'h30; regs[6'h17] = 8'h0A; regs[6'h18] = 8'h08;
            regs[6'h19] = 8'h08; regs[6'h1A] = 8'h63; regs[6'h1B] = 8'h14; regs[6'h1C] = 8'h98;
            regs[6'h1E] = 8'h24; regs[6'h20] = 8'h02; regs[6'h22] = 8'h01;
            unlocked = 0; half = 0; toggle = 0; bad = 0;
        end
    endtask
    initial begin awake = 0; reset; head = 0; end
    always @(posedge enable) #1_600_000 if (enable) begin reset; awake = 1; head = 16'h0000; end

    wire [7:0] status = {any, warn, ~unlocked, regs[3][0], bad, toggle, ~regs[8][6], 1'b1};
    always @(negedge ncs) begin
        count = 0;
        shift = {status, head[7:0], crc({status, head[7:0]})};
        level <= #RESPONSE shift[23];
    end
    always @(posedge sclk) if (!ncs && awake) begin shift = {shift[22:0], sdi}; count = count + 1; end
    always @(negedge sclk) if (!ncs && awake) level <= #RESPONSE shift[23];

    wire [5:0] at = shift[21:16];
    wire [7:0] data = shift[15:8];
    always @(posedge ncs) if (awake && count != 0) begin
        if (count % 24 != 0) begin regs[5][3] = 1; bad = 1; end
        else if (crc(shift[23:8]) != shift[7:0]) begin regs[5][4] = 1; bad = 1; end
        else begin
            bad = 0; toggle = ~toggle;
            head = {8'h00, at == 0 ? state : regs[at]};
            case (shift[23:22])
            2'b01: if (at != 6'h3E) half = 0;
            2'b10: begin
                if (at >= 6'h01 && at <= 6'h05) regs[at] = regs[at] & ~data;
                else if (at == 6'h08) regs[at] = data;
                else if (at >= 6'h10 && at <= 6'h22) begin
                    if (unlocked) regs[at] = data; else regs[5][1] = 1;
                end
                else if (at == 6'h3E) begin
                    if (data == 8'h5A) half = 1;
                    else begin unlocked = half && data == 8'hA5; half = 0; end
                end
                if (at != 6'h3E) half = 0;
            end
            2'b11: begin
                half = 0;
                if (at == 6'h0A && data == 8'h35) for (k = 1; k <= 5; k = k + 1) regs[k] = 0;
                if (at == 6'h15 && data == 8'hC3) reset;
            end
            default: ;
            endcase
        end
    end
    task bootstrap_v; begin regs[3][3] = 1; end endtask
endmodule
