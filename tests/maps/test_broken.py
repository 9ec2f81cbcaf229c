"""A hundred and more broken maps: each gives its one right message, at the right line and column.

Each is tests/mapfile/base.yaml with one thing changed. The whole message is compared: place, what
was found, what was expected, the nearest choice, and the key path.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from regmap.maps.vet import check_map

BASE = (Path(__file__).parent / "base.yaml").read_text(encoding="utf-8")

#: what is broken, the text replaced (its first occurrence), by what, and the message
BROKEN: list[tuple[str, str, str, str]] = [
    (
        "no version",
        "gateword_map: 1\n",
        "",
        "map.yaml:1:1: error: no key 'gateword_map'; expected gateword_map: 1, the version of this format",
    ),
    (
        "version of tomorrow",
        "gateword_map: 1",
        "gateword_map: 2",
        "map.yaml:1:15: error: '2'; expected 1, the version of this format; nearest: 1 [gateword_map]",
    ),
    (
        "key misspelt",
        "registers:",
        "regsters:",
        "map.yaml:33:1: error: the key 'regsters'; expected one of gateword_map, extends, without, chip, spi, frames, commands, registers, joined, external, states, keys, faults, sequences, monitor_tests, rules, known_frames, identity, electrical, watchdog, page_select, chain; nearest: registers",
    ),
    (
        "key twice",
        "  name: base16\n",
        "  name: base16\n  name: base17\n",
        "map.yaml:4:3: error: the key 'name' again; expected it once (first at line 3) [chip]",
    ),
    (
        "chip is a list",
        "chip:\n  name: base16\n  invented: yes\n  source: made up\n",
        "chip: [base16]\n",
        "map.yaml:2:7: error: a list; expected the chip's name and title [chip]",
    ),
    (
        "chip name with a blank",
        "name: base16",
        "name: base 16",
        "map.yaml:3:9: error: 'base 16'; expected a chip name of letters, digits, - and _; nearest: base_16 [chip.name]",
    ),
    (
        "invented is a number",
        "invented: yes",
        "invented: 2",
        "map.yaml:4:13: error: '2'; expected yes or no [chip.invented]",
    ),
    (
        "no mode",
        "  mode: 1\n",
        "",
        "map.yaml:7:3: error: no key 'mode'; expected mode: a whole number 0..3 [spi]",
    ),
    (
        "mode 4",
        "mode: 1",
        "mode: 4",
        "map.yaml:7:9: error: '4'; expected a whole number 0..3; nearest: 3 [spi.mode]",
    ),
    (
        "unit of another kind",
        "clock_max: 10 MHz",
        "clock_max: 10 ns",
        "map.yaml:8:14: error: '10 ns' is a time; expected a frequency (in Hz) [spi.clock_max]",
    ),
    (
        "unit unknown",
        "idle: 400 ns",
        "idle: 400 nsec",
        "map.yaml:9:13: error: unknown unit 'nsec'; expected a time in s; nearest: ns [spi.idle]",
    ),
    (
        "number without unit",
        "idle: 400 ns",
        "idle: 400",
        "map.yaml:9:9: error: '400' has no unit; expected a time, as 400 s [spi.idle]",
    ),
    (
        "length in words",
        "length: 24",
        "length: twentyfour",
        "map.yaml:12:13: error: 'twentyfour'; expected a whole number 8..64 [frames.word.length]",
    ),
    (
        "length too short",
        "length: 24",
        "length: 4",
        "map.yaml:12:13: error: '4'; expected a whole number 8..64; nearest: 8 [frames.word.length]",
    ),
    (
        "bits as in C",
        "bits: 23..22, holds: operation",
        "bits: 23:22, holds: operation",
        "map.yaml:14:23: error: '23:22'; expected bits such as 7, 7..4 or [9, 3..1], most significant first; nearest: 23..22 [frames.word.command.op.bits]",
    ),
    (
        "bit outside",
        "address: {bits: 20..17",
        "address: {bits: 24..17",
        "map.yaml:16:23: error: bit 24; expected bits 0..23 of a word of 24 bits [frames.word.command.address]",
    ),
    (
        "bit claimed twice",
        "data:    {bits: 15..8, holds: data}\n      crc:     {bits: 7..0, holds: crc, polynomial: 0x2F, init: 0xFF, over: 23..8}\n    reply",
        "data:    {bits: 15..7, holds: data}\n      crc:     {bits: 7..0, holds: crc, polynomial: 0x2F, init: 0xFF, over: 23..8}\n    reply",
        "map.yaml:19:23: error: bit 7, which belongs to 'data'; expected bits that no other part claims [frames.word.command.crc]",
    ),
    (
        "bit in no part",
        "page:    {bits: 21, holds: page}\n      address: {bits: 20..17",
        "page:    {bits: 21, holds: page}\n      address: {bits: 20..18",
        "map.yaml:14:7: error: bit 17 in no part; expected every bit in a part (holds: ignored where it means nothing) [frames.word.command]",
    ),
    (
        "holds misspelt",
        "holds: page}",
        "holds: pgae}",
        "map.yaml:15:34: error: 'pgae'; expected one of operation, address, page, data, fixed, chip, parity, crc, counter, status, field, echo, ignored; nearest: page [frames.word.command.page.holds]",
    ),
    (
        "no codes",
        "holds: operation, codes: {read: 1, write: 2, command: 3}",
        "holds: operation",
        "map.yaml:14:16: error: no key 'codes'; expected codes: {read: ..., write: ...} [frames.word.command.op]",
    ),
    (
        "code too wide",
        "command: 3}}",
        "command: 4}}",
        "map.yaml:14:85: error: the code 4; expected at most 3 in 2 bits [frames.word.command.op]",
    ),
    (
        "code for two",
        "command: 3}}",
        "command: 2}}",
        "map.yaml:14:85: error: the code 2 for 'write' and 'command'; expected a code each [frames.word.command.op]",
    ),
    (
        "two data parts",
        "page:    {bits: 21, holds: page}",
        "page:    {bits: 21, holds: data}",
        "map.yaml:18:37: error: a second part that holds data; expected one ('page' does) [frames.word.command.data]",
    ),
    (
        "fixed without value",
        "mark:    {bits: 22..21, holds: fixed, value: 0b10}",
        "mark:    {bits: 22..21, holds: fixed}",
        "map.yaml:24:18: error: no key 'value'; expected value: the bits that are always there [frames.word.reply.parts.mark]",
    ),
    (
        "fixed value too wide",
        "value: 0b10}",
        "value: 0b100}",
        "map.yaml:24:54: error: the value 0x4; expected at most 0x3 in 2 bits [frames.word.reply.parts.mark]",
    ),
    (
        "key of another part",
        "count:   {bits: 16, holds: counter}",
        "count:   {bits: 16, holds: counter, polynomial: 1}",
        "map.yaml:26:45: error: the key 'polynomial' in a part that holds counter; expected it where a part holds crc [frames.word.reply.parts.count]",
    ),
    (
        "parity of two bits",
        "address: {bits: 20..17, holds: address}\n      odd:     {bits: 16,",
        "address: {bits: 20..18, holds: address}\n      odd:     {bits: 17..16,",
        "map.yaml:17:23: error: a parity of 2 bits; expected one bit for each parity part [frames.word.command.odd]",
    ),
    (
        "parity without kind",
        "holds: parity, parity: odd, over",
        "holds: parity, over",
        "map.yaml:17:16: error: no key 'parity'; expected parity: even or odd [frames.word.command.odd]",
    ),
    (
        "parity neither",
        "parity: odd, over",
        "parity: mark, over",
        "map.yaml:17:50: error: 'mark'; expected one of even, odd [frames.word.command.odd.parity]",
    ),
    (
        "crc without polynomial",
        "polynomial: 0x2F, init: 0xFF, over: 23..8}\n    reply",
        "init: 0xFF, over: 23..8}\n    reply",
        "map.yaml:19:16: error: no key 'polynomial'; expected polynomial: without its top bit, as 0x07 [frames.word.command.crc]",
    ),
    (
        "polynomial with its top bit",
        "polynomial: 0x2F, init: 0xFF, over: 23..8}\n    reply",
        "polynomial: 0x12F, init: 0xFF, over: 23..8}\n    reply",
        "map.yaml:19:53: error: polynomial 0x12F; expected at most 8 bits (a polynomial without its top bit); nearest: 0x2F [frames.word.command.crc]",
    ),
    (
        "checksum over itself",
        "over: 23..8}\n    reply",
        "over: 23..0}\n    reply",
        "map.yaml:19:77: error: a checksum over its own bits; expected the bits before or after it [frames.word.command.crc]",
    ),
    (
        "start value too wide",
        "init: 0xFF, over: 23..8}\n    reply",
        "init: 0x1FF, over: 23..8}\n    reply",
        "map.yaml:19:65: error: init 0x1FF; expected at most 8 bits (a polynomial without its top bit) [frames.word.command.crc]",
    ),
    (
        "guards in a circle",
        "parity: odd, over: 23..17",
        "parity: odd, over: [23..17, 7]",
        "map.yaml:19:7: error: check bits that cover each other (crc, odd); expected `over` without a circle [frames.word.command]",
    ),
    (
        "status in a command",
        "page:    {bits: 21, holds: page}",
        "page:    {bits: 21, holds: status}",
        "map.yaml:15:34: error: status in a command; expected a part that a command can hold [frames.word.command.page]",
    ),
    (
        "address in a reply",
        "again:   {bits: 20..17, holds: echo, of: address}",
        "again:   {bits: 20..17, holds: address}",
        "map.yaml:25:40: error: address in a reply; expected echo in a reply, of the command's part [frames.word.reply.parts.again]",
    ),
    (
        "echo of nothing",
        "of: address}",
        "of: adress}",
        "map.yaml:25:50: error: an echo of 'adress'; expected of: a part of the command; nearest: address [frames.word.reply.parts.again]",
    ),
    (
        "echo of another width",
        "again:   {bits: 20..17, holds: echo, of: address}",
        "again:   {bits: 20..17, holds: echo, of: data}",
        "map.yaml:25:25: error: an echo of 4 bits of 'data'; expected 8 bits as in the command [frames.word.reply.parts.again]",
    ),
    (
        "reply without parts",
        "      after: 1\n      parts:\n        fault:   {bits: 23, holds: status, active: 0, fault: UV}\n        mark:    {bits: 22..21, holds: fixed, value: 0b10}\n        again:   {bits: 20..17, holds: echo, of: address}\n        count:   {bits: 16, holds: counter}\n        data:    {bits: 15..8, holds: data, on_write: old}\n        crc:     {bits: 7..0, holds: crc, polynomial: 0x2F, init: 0xFF, over: 23..8}\n",
        "      after: 1\n",
        "map.yaml:21:7: error: a reply without parts; expected parts, or `to` with parts for each [frames.word.reply]",
    ),
    (
        "reply too late",
        "after: 1",
        "after: 17",
        "map.yaml:21:14: error: '17'; expected a whole number 0..16; nearest: 16 [frames.word.reply.after]",
    ),
    (
        "bursts that do not add up",
        "length: 24\n",
        "length: 24\n    bursts: [8, 8]\n",
        "map.yaml:13:13: error: bursts of 16 bits together; expected 24, the frame's length [frames.word]",
    ),
    (
        "status of no fault",
        "active: 0, fault: UV}",
        "active: 0, fault: UVV}",
        "map.yaml:23:62: error: the fault 'UVV'; expected a fault of this map; nearest: UV [frames.word.reply.parts.fault]",
    ),
    (
        "command of no part",
        "parts: {op: 3, page: 0,",
        "parts: {opp: 3, page: 0,",
        "map.yaml:31:13: error: the part 'opp'; expected a part of frame word; nearest: op [commands.CLEAR]",
    ),
    (
        "command too wide",
        "address: 1, data: 0x5A}",
        "address: 16, data: 0x5A}",
        "map.yaml:31:38: error: the value 16; expected at most 15 in 4 bits [commands.CLEAR]",
    ),
    (
        "command sets a guard",
        "data: 0x5A}",
        "data: 0x5A, crc: 0}",
        "map.yaml:31:53: error: a value for crc part 'crc'; expected values of the other parts; check bits are computed [commands.CLEAR]",
    ),
    (
        "command of no frame",
        "  CLEAR:\n    parts",
        "  CLEAR:\n    frame: wrd\n    parts",
        "map.yaml:31:12: error: the frame 'wrd'; expected a frame of this map; nearest: word [commands.CLEAR]",
    ),
    (
        "effect unknown",
        "effects: [clear_faults]",
        "effects: [clear_fault]",
        "map.yaml:32:15: error: the effect 'clear_fault'; expected reset, clear_faults, clear REG, or REG.FIELD = VALUE; nearest: clear_faults [commands.CLEAR]",
    ),
    (
        "no address",
        "    page: 1\n    address: 0x0\n",
        "    page: 1\n",
        "map.yaml:52:5: error: no key 'address'; expected address: in the frame, since frame 'word' has a part for it [registers.GATE]",
    ),
    (
        "operation of no code",
        "    page: 1\n    address: 0x0\n",
        "    page: 1\n    address: 0x0\n    operation: {write: wrote}\n",
        "map.yaml:54:24: error: the operation 'wrote'; expected a code of part 'op' of frame 'word'; nearest: write [registers.GATE]",
    ),
    (
        "address of another page again",
        "    page: 1\n    address: 0x0\n",
        "    address: 0x0\n",
        "map.yaml:52:14: error: the address 0x0 again; expected an address of its own ('STATUS' has it) [registers.GATE]",
    ),
    (
        "pattern of a command",
        "parts: {op: 3, page: 0,",
        "parts: {op: 3, page: 0by,",
        "map.yaml:31:26: error: '0by'; expected a number, or bits such as 0b10xx [commands.CLEAR.parts.page]",
    ),
    (
        "address twice",
        "    page: 0\n    address: 0x1\n",
        "    page: 0\n    address: 0x0\n",
        "map.yaml:43:14: error: the address 0x0 on page 0 again; expected an address of its own ('STATUS' has it) [registers.MODE]",
    ),
    (
        "address too wide",
        "    page: 0\n    address: 0x1\n",
        "    page: 0\n    address: 0x11\n",
        "map.yaml:43:14: error: the address 0x11; expected at most 0xF in 4 bits of the frame [registers.MODE]",
    ),
    (
        "page too wide",
        "    page: 1\n    address: 0x1\n",
        "    page: 2\n    address: 0x1\n",
        "map.yaml:60:11: error: the page 0x2; expected at most 0x1 in 1 bit of the frame [registers.COPY]",
    ),
    (
        "negative address",
        "address: 0xF\n",
        "address: -1\n",
        "map.yaml:67:14: error: '-1'; expected a whole number 0..0xFFFFFFFF; nearest: 0 [registers.KEY.address]",
    ),
    (
        "access misspelt",
        "access: rc",
        "access: cr",
        "map.yaml:37:13: error: 'cr'; expected one of rw, ro, wo, w1c, w0c, rc, once, sc; nearest: sc [registers.STATUS.access]",
    ),
    (
        "reset too wide",
        "reset: 0x41",
        "reset: 0x141",
        "map.yaml:44:12: error: the reset word 0x141; expected at most 0xFF in 8 bits [registers.MODE]",
    ),
    (
        "reset by words",
        "reset: 0x41",
        "reset: high",
        "map.yaml:44:12: error: 'high'; expected a word such as 0x1A5 [registers.MODE.reset]",
    ),
    (
        "resets that disagree",
        "RUN:  {bits: 0, role",
        "RUN:  {bits: 0, reset: 0, role",
        "map.yaml:49:30: error: the reset code 0; expected 1, as the register's reset word 0x41 says [registers.MODE.fields.RUN]",
    ),
    (
        "field reset too wide",
        "POR: {bits: 0, reset: 1,",
        "POR: {bits: 0, reset: 2,",
        "map.yaml:40:29: error: the code 2; expected at most 1 in 1 bit [registers.STATUS.fields.POR]",
    ),
    (
        "field bit outside",
        "UV:  {bits: 1,",
        "UV:  {bits: 8,",
        "map.yaml:39:19: error: bit 8; expected bits 0..7 of a register of 8 bits [registers.STATUS.fields.UV]",
    ),
    (
        "fields overlap",
        "POR: {bits: 0, reset",
        "POR: {bits: 1, reset",
        "map.yaml:40:19: error: bit 1, which belongs to 'UV'; expected bits that no other field claims [registers.STATUS.fields.POR]",
    ),
    (
        "a field's bit twice",
        "HIGH: {bits: 6..4",
        "HIGH: {bits: [6..4, 5]",
        "map.yaml:56:20: error: bit 5 twice; expected bits such as 7, 7..4 or [9, 3..1], most significant first [registers.GATE.fields.HIGH.bits]",
    ),
    (
        "no bits",
        "UV:  {bits: 1, summary",
        "UV:  {summary",
        "map.yaml:39:12: error: no key 'bits'; expected bits: bits such as 7, 7..4 or [9, 3..1], most significant first [registers.STATUS.fields.UV]",
    ),
    (
        "no fields",
        "    fields:\n      ALL: {bits: 7..0}\n",
        "",
        "map.yaml:60:5: error: no key 'fields'; expected fields: fields by name [registers.COPY]",
    ),
    (
        "option code too wide",
        'options: {0: "off", 1: "on"}',
        'options: {0: "off", 2: "on"}',
        "map.yaml:49:63: error: the code 2; expected at most 1 in 1 bit [registers.MODE.fields.RUN.options]",
    ),
    (
        "option code twice",
        "{0: six_input, 1: three_input, 2..3: reserved}",
        "{0: six_input, 1: three_input, 1..3: reserved}",
        "map.yaml:47:66: error: the code 1 again; expected each code once [registers.MODE.fields.PWM.options]",
    ),
    (
        "option name twice",
        "{0: six_input, 1: three_input,",
        "{0: six_input, 1: {name: six_input, text: again},",
        "map.yaml:47:26: error: the option 'six_input' for codes 0 and 1 with different meanings; expected different names, or one entry for both codes (as `6,7: ...`) [registers.MODE.fields.PWM]",
    ),
    (
        "option with a blank",
        "0: six_input, 1",
        "0: six input, 1",
        "map.yaml:47:39: error: 'six input'; expected an option's name without spaces; nearest: six_input [registers.MODE.fields.PWM.options.0]",
    ),
    (
        "options of two kinds",
        "2: 30 mA, 3: 40 mA",
        "2: 30 mA, 3: 40 ns",
        "map.yaml:57:89: error: values that mix current and time; expected one kind of value in a field [registers.GATE.fields.LOW]",
    ),
    (
        "option of no code",
        "{0: low, 1: high}",
        "{zero: low, 1: high}",
        "map.yaml:78:15: error: 'zero'; expected a code such as 3, 0x1F, 4..7 or 6,7 [external.PIN.options]",
    ),
    (
        "tolerance of another kind",
        "7: 80 mA}, tolerance: 20 %",
        "7: 80 mA}, tolerance: 20 ns",
        "map.yaml:57:151: error: a tolerance that is a time; expected % or a current [registers.GATE.fields.LOW]",
    ),
    (
        "table of unequal columns",
        "max: [12, 24, 36, 48, 60, 72, 84, 96]",
        "max: [12, 24, 36, 48, 60, 72, 84]",
        "map.yaml:56:150: error: columns of different length (min 8, typ 8, max 7); expected as many numbers in each [registers.GATE.fields.HIGH.table]",
    ),
    (
        "table out of order",
        "min: [8, 16,",
        "min: [8, 26,",
        "map.yaml:56:77: error: code 1: min 26 mA, typ 20 mA, max 24 mA are not in order; expected min <= typ <= max [registers.GATE.fields.HIGH.table]",
    ),
    (
        "table too long",
        "min: [8, 16, 24, 32, 40, 48, 56, 64], typ: [10, 20, 30, 40, 50, 60, 70, 80], max: [12, 24, 36, 48, 60, 72, 84, 96]",
        "typ: [10, 20, 30, 40, 50, 60, 70, 80, 90]",
        "map.yaml:56:106: error: row 9 for code 8; expected codes up to 7 [registers.GATE.fields.HIGH.table]",
    ),
    (
        "table of words",
        "typ: [10, 20,",
        "typ: [ten, 20,",
        "map.yaml:56:112: error: 'ten'; expected a number, or - for an unused code [registers.GATE.fields.HIGH.table.typ[0]]",
    ),
    (
        "table unit unknown",
        "unit: mA",
        "unit: mAmp",
        "map.yaml:56:64: error: unknown unit 'mAmp'; expected a unit; nearest: mA [registers.GATE.fields.HIGH.table]",
    ),
    (
        "scale without step",
        "scale: {step: 100 ns, offset: 50 ns,",
        "scale: {offset: 50 ns,",
        "map.yaml:48:49: error: no key 'step'; expected step: a quantity [registers.MODE.fields.TIME.scale]",
    ),
    (
        "step of zero",
        "step: 100 ns",
        "step: 0 ns",
        "map.yaml:48:56: error: a step of zero; expected a step that changes the value [registers.MODE.fields.TIME.scale]",
    ),
    (
        "offset of another kind",
        "offset: 50 ns",
        "offset: 50 mA",
        "map.yaml:48:72: error: an offset that is a current; expected a time as the step [registers.MODE.fields.TIME.scale]",
    ),
    (
        "scale ends outside",
        "offset: 50 ns, tolerance",
        "offset: 50 ns, last: 20, tolerance",
        "map.yaml:48:85: error: last 20; expected a code from 0 to 15; nearest: 15 [registers.MODE.fields.TIME.scale]",
    ),
    (
        "role unknown",
        "role: deadtime",
        "role: dead_time",
        "map.yaml:48:32: error: 'dead_time'; expected one of a fixed list; nearest: deadtime [registers.MODE.fields.TIME.role]",
    ),
    (
        "role of another kind",
        "role: gate.source.high",
        "role: vds.threshold",
        "map.yaml:56:32: error: the role vds.threshold on a field that gives a current; expected a voltage [registers.GATE.fields.HIGH]",
    ),
    (
        "role without values",
        "PWM:  {bits: 7..6, options: {0: six_input, 1: three_input, 2..3: reserved}}",
        "PWM:  {bits: 7..6, role: gate.hold, options: {0: six_input, 1: three_input, 2..3: reserved}}",
        "map.yaml:47:32: error: the role gate.hold on a field without values; expected options, a table or a scale that give a current, with its unit, as 5 A [registers.MODE.fields.PWM]",
    ),
    (
        "reserved belongs to a field",
        "reserved: {1: 0}",
        "reserved: {2: 0}",
        "map.yaml:50:16: error: reserved bits 2, of which 2 belong to fields; expected bits that no field claims [registers.MODE]",
    ),
    (
        "reserved outside",
        "reserved: {1: 0}",
        "reserved: {1: 0, 8: 0}",
        "map.yaml:50:22: error: reserved bits 8; expected bits 0..7, the higher first [registers.MODE]",
    ),
    (
        "reserved value too wide",
        "reserved: {1: 0}",
        "reserved: {1: 2}",
        "map.yaml:50:19: error: '2'; expected keep, or a value of 1 bit [registers.MODE]",
    ),
    (
        "reserved neither",
        "{7: keep, 3: 0}",
        "{7: leave, 3: 0}",
        "map.yaml:58:19: error: 'leave'; expected a value, or keep [registers.GATE.reserved.7]",
    ),
    (
        "mask too wide",
        "complement_of: GATE",
        "complement_of: GATE\n    read_mask: 0x100",
        "map.yaml:64:16: error: read_mask 0x100; expected at most 0xFF in 8 bits [registers.COPY]",
    ),
    (
        "complement of nothing",
        "complement_of: GATE",
        "complement_of: GTAE",
        "map.yaml:63:20: error: the register 'GTAE'; expected another register of this map; nearest: GATE [registers.COPY]",
    ),
    (
        "complement at reset",
        "reset: 0xED",
        "reset: 0xEE",
        "map.yaml:63:20: error: the reset word 0xEE; expected 0xED, the complement of GATE's [registers.COPY]",
    ),
    (
        "reads as nothing",
        "reads_as: zero",
        "reads_as: zeros",
        "map.yaml:69:15: error: 'zeros'; expected written, inverted, zero or a register; nearest: zero [registers.KEY]",
    ),
    (
        "writable in no state",
        "writable: unlocked",
        "writable: unloked",
        "map.yaml:45:15: error: 'unloked' is no field, value, state or option here; expected fields, values, states and options of this map; nearest: unlocked [registers.MODE]",
    ),
    (
        "joined of no field",
        "fields: [GATE.HIGH, GATE.LOW]",
        "fields: [GATE.HIGH, GATE.LO]",
        "map.yaml:74:25: error: the field 'GATE.LO'; expected a field of GATE; nearest: GATE.LOW [joined.BOTH]",
    ),
    (
        "joined twice",
        "fields: [GATE.HIGH, GATE.LOW]",
        "fields: [GATE.HIGH, GATE.HIGH]",
        "map.yaml:74:13: error: a field twice; expected each field once [joined.BOTH]",
    ),
    (
        "external without options",
        "    options: {0: low, 1: high}\n",
        "    summary: nothing\n",
        "map.yaml:77:5: error: an external value without options; expected options or a table [external.PIN]",
    ),
    (
        "external default unknown",
        "default: low",
        "default: lo",
        "map.yaml:77:14: error: 'lo'; expected a code, or an option of the field; nearest: low [external.PIN]",
    ),
    (
        "name used twice",
        "  BOTH:\n    fields",
        "  GATE:\n    fields",
        "map.yaml:73:3: error: 'GATE', which is also in registers; expected a name used once [joined]",
    ),
    (
        "key of no option",
        "KEY.CODE = second]",
        "KEY.CODE = secnd]",
        "map.yaml:81:42: error: 'secnd' is not a choice of CODE; nearest: second [keys.open_up]",
    ),
    (
        "state that nothing enters",
        "    entered_by: [open_up]\n    left_by: [reset]\n",
        "    left_by: [reset]\n",
        "map.yaml:84:5: error: a state that nothing enters; expected when, entered_by, or initially: yes [states.unlocked]",
    ),
    (
        "event unknown",
        "entered_by: [open_up]",
        "entered_by: [openup]",
        "map.yaml:84:18: error: the event 'openup'; expected reset, a key, a command, or REG.FIELD = VALUE; nearest: open_up [states.unlocked]",
    ),
    (
        "fault at no field",
        "at: STATUS.UV",
        "at: STATUS.OV",
        "map.yaml:88:9: error: the field 'STATUS.OV'; expected a field of STATUS; nearest: STATUS.UV [faults.UV]",
    ),
    (
        "fault without title",
        "    title: Undervoltage\n",
        "",
        "map.yaml:88:5: error: no key 'title'; expected title: a text [faults.UV]",
    ),
    (
        "two faults at one bit",
        "at: STATUS.POR",
        "at: STATUS.UV",
        "map.yaml:94:9: error: STATUS.UV = 1 again; expected a bit or code of its own ('UV' has it) [faults.POR]",
    ),
    (
        "cleared by nothing known",
        "cleared_by: [read, CLEAR]",
        "cleared_by: [read, CLAER]",
        "map.yaml:98:24: error: the way to clear 'CLAER'; expected a way to clear of this map; nearest: CLEAR [faults.POR]",
    ),
    (
        "follows from nothing",
        "follows_from: [UV]",
        "follows_from: [VU]",
        "map.yaml:99:20: error: the fault 'VU'; expected a fault of this map; nearest: UV [faults.POR]",
    ),
    (
        "follows from itself",
        "follows_from: [UV]",
        "follows_from: [POR]",
        "map.yaml:99:20: error: 'POR' in its own follows_from; expected another fault [faults.POR]",
    ),
    (
        "circle of causes",
        "    cleared_by: [read]\n",
        "    cleared_by: [read]\n    follows_from: [POR]\n",
        "map.yaml:94:3: error: a circle of follows_from: UV <- POR <- UV; expected causes that come to an end [faults]",
    ),
    (
        "reported only while something unknown",
        "    cleared_by: [read]\n",
        "    cleared_by: [read]\n    reported_only_when: MODE.PWMM == 1\n",
        "map.yaml:93:25: error: 'MODE.PWMM' is no field, value, state or option here; expected fields, values, states and options of this map; nearest: MODE.PWM [faults.UV]",
    ),
    (
        "reported only while an option that is none",
        "    cleared_by: [read]\n",
        "    cleared_by: [read]\n    reported_only_when: MODE.PWM == six\n",
        "map.yaml:93:37: error: 'six' is no option of MODE.PWM; expected fields, values, states and options of this map; nearest: six_input [faults.UV]",
    ),
    (
        "reported only while half a condition",
        "    cleared_by: [read]\n",
        "    cleared_by: [read]\n    reported_only_when: MODE.PWM ==\n",
        "map.yaml:93:25: error: the expression ends where a name, a number or a bracket was expected; expected a condition such as REG.FIELD == option [faults.UV.reported_only_when]",
    ),
    (
        "step of two",
        "{key: open_up}",
        "{key: open_up, read: STATUS}",
        "map.yaml:102:7: error: a step with read and key; expected one of expect, write, read, command, key, configure, verify, wait [sequences.unlock[0]]",
    ),
    (
        "step of nothing",
        "{key: open_up}",
        "{why: nothing}",
        "map.yaml:102:7: error: a step that says nothing to do; expected one of expect, write, read, command, key, configure, verify, wait [sequences.unlock[0]]",
    ),
    (
        "step of no register",
        "{configure: [MODE, GATE]}",
        "{configure: [MOD, GATE]}",
        "map.yaml:105:20: error: the register 'MOD'; expected a register of this map; nearest: MODE [sequences.configure[1]]",
    ),
    (
        "step writes read-only",
        "{write: MODE.PWM = six_input}",
        "{write: STATUS.UV = 1}",
        "map.yaml:104:15: error: STATUS.UV cannot be written (rc) [sequences.configure[0]]",
    ),
    (
        "step value unknown",
        "{write: MODE.PWM = six_input}",
        "{write: MODE.PWM = six}",
        "map.yaml:104:26: error: 'six' is not a choice of PWM; nearest: six_input [sequences.configure[0]]",
    ),
    (
        "test of monitors that proves no fault",
        "rules:\n",
        "monitor_tests:\n  uv:\n    proves: UVV\n    steps:\n      - {expect: STATUS.UV = 1}\n"
        "    restore:\n      - {expect: STATUS.UV = 0}\nrules:\n",
        "map.yaml:109:13: error: the fault 'UVV'; expected a fault of this map; nearest: UV [monitor_tests.uv]",
    ),
    (
        "test of monitors that expects nothing",
        "rules:\n",
        "monitor_tests:\n  uv:\n    proves: UV\n    steps:\n      - {read: STATUS}\n"
        "    restore:\n      - {expect: STATUS.UV = 0}\nrules:\n",
        "map.yaml:111:7: error: no step with expect; expected expect: what must be read while the fault is forced [monitor_tests.uv]",
    ),
    (
        "rule of no field",
        "require: MODE.TIME >=",
        "require: MODE.TIM >=",
        "map.yaml:109:14: error: 'MODE.TIM' is no field, value, state or option here; expected fields, values, states and options of this map; nearest: MODE.TIME [rules.slow_enough]",
    ),
    (
        "rule of another kind",
        "MODE.TIME >= 200 ns",
        "MODE.TIME >= 200 mV",
        "map.yaml:109:14: error: a time beside a voltage; expected values of one kind [rules.slow_enough]",
    ),
    (
        "rule of no option",
        "MODE.PWM == six_input\n",
        "MODE.PWM == six_inputs\n",
        "map.yaml:109:49: error: 'six_inputs' is no option of MODE.PWM; expected fields, values, states and options of this map; nearest: six_input [rules.slow_enough]",
    ),
    (
        "rule that ends",
        "require: MODE.TIME >= 200 ns or MODE.PWM == six_input",
        "require: MODE.TIME >= 200 ns or",
        "map.yaml:109:14: error: the expression ends where a name, a number or a bracket was expected; expected a condition such as REG.FIELD == option [rules.slow_enough.require]",
    ),
    (
        "parameter unknown",
        "high_side_supply: charge pump",
        "high_side: charge pump",
        "map.yaml:113:3: error: the parameter 'high_side'; expected a parameter of the fixed list; nearest: high_side_supply [electrical]",
    ),
    (
        "parameter of another kind",
        "max: 40 V",
        "max: 40 A",
        "map.yaml:112:17: error: '40 A' is a current; expected a voltage (in V) [electrical.supply.max]",
    ),
    (
        "parameter not among the choices",
        "high_side_supply: charge pump",
        "high_side_supply: pump",
        "map.yaml:113:21: error: 'pump'; expected one of charge pump, bootstrap; nearest: charge pump [electrical.high_side_supply]",
    ),
    (
        "range upside down",
        "operating: 6..28 V",
        "operating: 28..6 V",
        "map.yaml:112:34: error: '28..6 V' is not in order; expected the smallest first [electrical.supply.operating]",
    ),
    (
        "watchdog of nothing",
        "watchdog: KEY",
        "watchdog: KEYS",
        "map.yaml:114:11: error: the register 'KEYS'; expected a register of this map; nearest: KEY [watchdog]",
    ),
    (
        "header too wide",
        "value: 0x80",
        "value: 0x180",
        "map.yaml:117:7: error: a header wider than its length; expected bits 0..7 [chain.headers[0]]",
    ),
    (
        "known frame wrong",
        "command: 0xC25A97",
        "command: 0xC25A96",
        "map.yaml:120:5: error: 'CLEAR' encodes to 0xC25A97 (differs in crc); expected 0xC25A96 as the data sheet shows [known_frames (page 9)]",
    ),
    (
        "known frame of nothing",
        "does: CLEAR,",
        "does: CLAER,",
        "map.yaml:120:12: error: 'CLAER' is not a request; expected REG.FIELD=VALUE, REG=WORD, read:REG or a command; nearest: CLEAR [known_frames[0]]",
    ),
    (
        "known frame without words",
        "{does: CLEAR, command: 0xC25A97, source",
        "{does: CLEAR, source",
        "map.yaml:120:5: error: neither command nor reply; expected the frame that the data sheet shows [known_frames[0]]",
    ),
    (
        "tab",
        "  mode: 1",
        "\tmode: 1",
        "map.yaml:7:1: error: not YAML: a tab; expected spaces to indent with",
    ),
    (
        "quote left open",
        "source: page 9}",
        'source: "page 9}',
        "map.yaml:121:1: error: not YAML: found unexpected end of stream while scanning a quoted scalar; expected valid YAML",
    ),
    (
        "without what is not there",
        "watchdog: KEY",
        "watchdog: KEY\nwithout: [MODE]",
        "map.yaml:115:10: error: `without` in a map that extends none; expected extends: FILE [without]",
    ),
    (
        "rule that is a number",
        "require: MODE.TIME >= 200 ns or MODE.PWM == six_input",
        "require: MODE.TIME + 1",
        "map.yaml:109:24: error: '+' gives a number where a condition is needed; expected fields, values, states and options of this map [rules.slow_enough]",
    ),
    (
        "state as a number",
        "require: MODE.TIME >= 200 ns",
        "require: unlocked == 1",
        "map.yaml:109:14: error: the state 'unlocked' has no value; expected it by itself, or with not [rules.slow_enough]",
    ),
    (
        "key over several fields",
        "steps: [KEY.CODE = first, KEY.CODE = second]",
        "steps: [BOTH = 3, KEY.CODE = second]",
        "map.yaml:81:13: error: 'BOTH' is held by several fields; expected REG.FIELD = VALUE or REG = WORD [keys.open_up]",
    ),
    (
        "echo without of",
        "holds: echo, of: address}",
        "holds: echo}",
        "map.yaml:25:18: error: no key 'of'; expected of: the part of the command repeated [frames.word.reply.parts.again]",
    ),
    (
        "case without when",
        'options: {0: "off", 1: "on"}}',
        'cases: [{options: {0: "off", 1: "on"}}, {options: {0: a, 1: b}}]}',
        "map.yaml:49:43: error: a case without `when` before the last; expected `when` in every case but the last [registers.MODE.fields.RUN]",
    ),
    (
        "given part unknown",
        "{does: CLEAR, command: 0xC25A97, source",
        "{does: CLEAR, command: 0xC25A97, given: {odds: 1}, source",
        "map.yaml:120:46: error: the part 'odds'; expected a part of a frame of this map; nearest: odd [known_frames[0]]",
    ),
    (
        "after of nothing",
        "{does: CLEAR, command: 0xC25A97, source",
        "{does: CLEAR, command: 0xC25A97, after: [open], source",
        "map.yaml:120:46: error: 'open' is not a request; expected REG.FIELD=VALUE, REG=WORD, read:REG or a command; nearest: MODE [known_frames[0]]",
    ),
]


def test_the_base_is_sound() -> None:
    chip, problems = check_map("map.yaml", text=BASE)
    assert chip is not None
    assert problems == []


def test_there_are_a_hundred() -> None:
    assert len(BROKEN) >= 100
    assert len({name for name, _, _, _ in BROKEN}) == len(BROKEN)


@pytest.mark.parametrize(("name", "old", "new", "message"), BROKEN, ids=[b[0] for b in BROKEN])
def test_one_right_message(name: str, old: str, new: str, message: str) -> None:
    assert old in BASE, name
    _, problems = check_map("map.yaml", text=BASE.replace(old, new, 1))
    assert [str(p) for p in problems if p.severity == "error"] == [message]


def rendered(old: str, new: str) -> list[str]:
    _, problems = check_map("map.yaml", text=BASE.replace(old, new, 1))
    return [p.render() for p in problems]


def test_the_spot_is_underlined() -> None:
    assert rendered("role: deadtime", "role: dead_time") == [
        "map.yaml:48:32: error: 'dead_time'; expected one of a fixed list; nearest: deadtime"
        " [registers.MODE.fields.TIME.role]\n"
        "          TIME: {bits: 5..2, role: dead_time, scale: {step: 100 ns, offset: 50 ns, tolerance: 10 %}}\n"
        "                                   ^^^^^^^^^"
    ]
    assert rendered("  idle: 400 ns", "  idle: 400 nsec") == [
        "map.yaml:9:13: error: unknown unit 'nsec'; expected a time in s; nearest: ns [spi.idle]\n"
        "      idle: 400 nsec\n"
        "                ^^^^"
    ]
    assert rendered("access: rc", "acces: rc") == [
        "map.yaml:37:5: error: the key 'acces'; expected one of address, operation, page, width, reset, access,"
        " reserved, read_mask, write_mask, writable, frame, complement_of, reads_as, in_replies, summary, fields;"
        " nearest: access [registers.STATUS]\n"
        "        acces: rc\n"
        "        ^^^^^"
    ]


def test_a_long_line_is_cut_around_the_spot() -> None:
    (text,) = rendered("7: 80 mA}, tolerance: 20 %", "7: 80 mA}, tolerance: 20 ns")
    _, line, caret = text.split("\n")
    assert len(line) <= 100
    at = caret.index("^")
    assert line[at : at + len(caret.strip())] == "20 ns"


def test_all_problems_in_one_run() -> None:
    text = BASE
    for old, new in [
        ("mode: 1", "mode: 4"),
        ("idle: 400 ns", "idle: 400 nsec"),
        ("reset: 0x41", "reset: 0x141"),
        ("role: deadtime", "role: dead_time"),
        ("default: low", "default: lo"),
        ("watchdog: KEY", "watchdog: KEYS"),
    ]:
        text = text.replace(old, new, 1)
    chip, problems = check_map("map.yaml", text=text)
    assert chip is None
    assert [p.place.line for p in problems] == sorted(p.place.line for p in problems)
    assert len(problems) == 6
