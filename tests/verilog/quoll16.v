// The invented gate driver Quoll-16, as its data sheet says: 16-bit frames, odd parity, SPI mode 1
// (launch on the rising clock edge, take on the falling one), reply within the same frame.
// Written from the register map's prose, not from any code of this project.
`timescale 1ns/1ns
module quoll16 (
    input  wire sclk, ncs, sdi, enable,
    output wire sdo,
    output wire nfault
);
    localparam RESPONSE = 25;          // clock edge to data out, ns

    reg [9:0] regs [0:15];
    reg [9:0] status1, status2, status3;
    reg       locked;
    reg       awake;
    reg       out;

    assign sdo = (ncs || !awake) ? 1'bz : out;

    wire any = |status1[9:1] | |status2[8:5] | |status2[3:1];
    wire [9:0] s1 = {status1[9:8], |status3[5:0], status1[6:1], any};
    wire [9:0] s2 = {status2[9:1], locked};
    assign nfault = awake ? ~(any | (status2[4] & ~regs[8][4])) : 1'b0;

    task power_up;
        begin
            status1 = 0; status2 = 10'h200; status3 = 0; locked = 0; awake = 1;
            regs[3] = 10'h02A; regs[4] = 10'h143; regs[5] = 10'h143; regs[6] = 10'h297;
            regs[7] = 10'h0A0; regs[8] = 10'h0E4; regs[9] = 10'h000; regs[10] = 10'h000;
            regs[11] = 10'h0B4; regs[12] = 10'h040; regs[13] = 0; regs[14] = 0; regs[15] = 10'h161;
        end
    endtask

    initial begin
        awake = 0; locked = 0; status1 = 0; status2 = 0; status3 = 0; out = 0;
    end
    always @(posedge enable) #700_000 if (enable) power_up;      // wakes within 1 ms
    always @(negedge enable) awake = 0;

    function [9:0] contents(input [3:0] at);
        case (at)
            4'd0: contents = s1;
            4'd1: contents = s2;
            4'd2: contents = status3;
            4'd10: contents = 0;                                 // SERVICE clears itself
            4'd13, 4'd14: contents = 0;
            default: contents = regs[at];
        endcase
    endfunction

    reg [15:0] taken;                  // bits received
    reg [15:0] reply;
    integer    count;

    always @(negedge ncs) begin
        count = 0; taken = 0;
        reply = {any, status2[9], 3'b101, 11'b0};
    end

    // the address is complete with the fifth falling edge; the data follow from the sixth rising one
    always @(posedge sclk) if (!ncs && awake) begin
        if (count == 5) begin
            reply[10:1] = contents(taken[3:0]);
            reply[0] = ~(^reply[15:1]);
        end
        out <= #RESPONSE (count < 16) ? reply[15 - count] : 1'b0;
    end
    always @(negedge sclk) if (!ncs && awake) begin
        taken = {taken[14:0], sdi};
        count = count + 1;
    end

    wire [3:0] address = taken[14:11];
    wire [9:0] data    = taken[10:1];
    always @(posedge ncs) if (awake && count != 0) begin
        if (count != 16 || ^taken != 1'b1) status2[8] = 1;       // SPI_ERR
        else if (!taken[15]) case (address)
            4'd3, 4'd4, 4'd5, 4'd6, 4'd7, 4'd8, 4'd9, 4'd12: if (!locked) regs[address] = data;
            4'd10: if (data[9]) begin status1 = 0; status2 = 0; status3 = 0; end
            4'd11: begin
                if (data[7:0] == 8'h4B) locked = 1;
                if (data[7:0] == 8'hB4) locked = 0;
                regs[11] = data;
            end
            default: ;
        endcase
    end

    // what happens on the board, called by the bench
    task vds_low_u;  begin status1[6] = 1; end endtask
    task overcurrent_u; begin status2[1] = 1; end endtask
endmodule
