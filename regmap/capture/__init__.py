"""Captures of an SPI, whatever wrote them: files -> edges -> timed SPI transfers. Knows no chip.

    from regmap.capture.formats.opening import Options, open_capture
    from regmap.capture.lines.channels import find_roles
    from regmap.capture.spi import Flag, Roles, SpiSetup, Transfers, reslice
    from regmap.capture.transfers.stream import TransferBuilder, iter_transfers, read_transfers

    with open_capture("spi.vcd.gz") as capture:           # path, "-" or a binary stream; gz by content
        finding = find_roles(capture.peek())              # .roles, .text says how and why
        setup = SpiSetup(mode=1, frame_clocks=24)
        transfers, builder = read_transfers(capture, setup, finding.roles)
    transfers.command, transfers.reply                    # uint64 arrays
    builder.timing, builder.command_health, builder.notes
    capture.problems, capture.notes                       # complete after the last block

For captures of any length, build and use the transfers part by part (memory stays small):

    builder = TransferBuilder(setup, finding.roles, capture.tick, resolution=capture.resolution)
    for part in iter_transfers(capture, builder):         # Transfers, in order, numbered throughout
        ...
    builder.pin("fault"), builder.timing.all(), builder.notes

A list of frames has no lines: `capture.kind == "frames"`, and `capture.frame_transfers()` gives the parts.

Modules

    signals     Channel, Edges, Block, Signals, Capture: the common streamed structure
    opening     open_capture: tells the format by content; Options
    source      bytes from a file, gz or stream, with their cut reported
    blocks      the loop over blocks of text that all text formats share; tokens: many places at once
    vcd         value change dumps (IEEE 1364); vcdhead, vcdcodes, vcdvalues: its parts
    table       CSV of samples or of transitions; tablehead, tablecells: its parts
    events      CSV of single events: time, line, level
    levels      voltages to 0 and 1 with hysteresis
    raw         packed samples with a rate and a channel map
    words       a plain list of hex words, one or two columns, with or without times
    channels    which line is clock, select, command, reply, fault, enable; guess_mode
    spi         SpiSetup, Roles, Flag, Transfers, pack, reslice (other modes, orders, shifts), join
    transfers   TransferBuilder (block after block), iter_transfers, read_transfers
    segment     cutting by select or by pauses; lines, clocktimes: parts of the builder
    measure     Timing (worst value with its place), LineHealth (stuck, floating, echo)
    ahead       the next block is read on a second core
    setupfile   NAME.setup.yaml beside a capture: channels, thresholds, rate, SPI set-up

Times are int64 ticks; `tick` is their exact length in seconds (a Fraction). Values are 0, 1,
2 (x, unknown), 3 (z, floating). Unreadable input raises regmap.errors.CaptureError; a capture that is
cut or damaged further on yields all that comes before and says where it ended in `problems`.
Importing this package loads nothing; its modules load numpy.
"""
