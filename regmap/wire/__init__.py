"""The adapter protocol: a serial line to a microcontroller that drives SPI. Version 1.

Host and adapter take turns: the host sends a request, the adapter answers it, and never speaks
unasked. Nothing here touches a port or a clock: `Client` and `Server` turn bytes into values and
back, and whoever owns the port calls them. bridge/ holds the adapter's side as portable C, PROTOCOL.md the whole for its writer.

Frame
    00 | stuffed( version:8  kind:8  sequence:16  body  crc:32 ) | 00

    All numbers are sent most significant byte first. The CRC is CRC-32 as in IEEE 802.3 over all
    that precedes it. The whole is byte-stuffed (COBS), so that a zero byte is always a frame's
    border and never its content: a receiver that joins in mid-stream, or reads garbage, is right
    again at the next zero, needs no timer, and cannot be led astray by a length that was damaged.
    The zero in front ends whatever noise came before; empty frames mean nothing. Version, kind,
    sequence, CRC and the error answer keep their layouts in all future versions.

Requests (host to adapter) and answers (kind + 80 hex); layouts in `layout.BODIES`
    01 hello      - -> firmware, most bytes and bursts per transfer, clock range, abilities, name
    02 set-up     SPI mode, bit order, select polarity, clock Hz, idle time ns -> clock, idle time in use
    03 transfer   bursts of bytes, one chip-select each -> per burst: start in us, bytes read
    04 pins       which to drive, levels -> which exist, levels
    FF error      (answer only) code, detail

Sequence numbers: how a repeat is kept harmless
    Numbers run 1 ... 65535 and on from 1; 0 means "no request known". The adapter keeps the number
    and CRC of the last request it acted upon, and the answer. For an intact request of version 1
    it goes by the first line that fits:

    1. hello: starts a session. The number becomes the last one; stored answer and SPI set-up are
       forgotten; pins are left as they are. Always acted upon, also when repeated.
    2. no session since power-up: error NO_SESSION. A host thus learns of an adapter's restart.
    3. number equal to the last, same CRC, answer stored: the stored answer is sent again, byte for
       byte, and nothing else is done. SPI does not run twice.
    4. number 0, equal to the last in any other case, or behind it (the difference modulo 65536
       is 32768 or more): error SEQUENCE. Not acted upon.
    5. otherwise acted upon. Any outcome, errors included, is stored with the number, except BUSY:
       then the last number stays, its stored answer is dropped, and the request may be repeated.

    So a request sent any number of times within a session runs at most once, and an answer to a
    repeat tells what happened that one time. What the host cannot know stays marked: a request
    without an answer, one met by a restart on a repeat, a transfer that failed in a burst.

Damage
    Fewer than 9 bytes between zeros are noise, ignored. A longer piece that is not an intact frame
    is answered by error BAD_CRC, or TOO_LONG beyond the adapter's buffer, with number 0, upon
    which the host repeats at once rather than waiting. Frames whose kind has its top bit set are
    answers; an adapter ignores them (a line that echoes), as a host ignores requests and answers
    to other numbers.

Set-up
    A transfer needs one (else NOT_SET_UP), and a set-up that is refused leaves none. The
    adapter never clocks faster than asked nor waits less; what it cannot do is UNSUPPORTED with
    the item: 1 mode, 2 bit order, 3 polarity, 4 clock too slow, 5 gap; 6 kind, 7 pin.
    SPI_FAILED carries the index of the burst that failed: those before it have been on the SPI.

Examples, byte for byte
    hello, number 1                           00 03 01 01 06 01 ef 3d e2 d8 00
    transfer of one burst 12 34, number 3     00 03 01 03 0a 03 01 02 12 34 3d b8 88 d7 00
    its answer: at 1000 us, ed cb read        00 03 01 83 03 03 01 01 0a 03 e8 02 ed cb 4b dd b4 35 00
"""
