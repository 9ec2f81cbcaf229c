"""What data sheets say of frames, each in a small map: encoded, decoded, simulated, and in arrays.

Every frame stands here as it was put together by hand from the layout above it.
"""

from __future__ import annotations

import importlib.util
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest

from regmap.behaviour.effects import said
from regmap.behaviour.plan import plan
from regmap.chip.bank import Bank
from regmap.chip.model import Chip
from regmap.errors import CallError
from regmap.frames import bulk
from regmap.frames.codec import Codec
from regmap.maps.load import find_document, read_map
from regmap.maps.vet import check_map
from regmap.twin import Twin


def load(text: str) -> Chip:
    chip, problems = check_map("small.yaml", text="gateword_map: 1\nchip: {name: small}\n" + text)
    assert chip is not None, "\n".join(map(str, problems))
    assert [str(p) for p in problems if p.severity == "error"] == []
    return chip


def refused(text: str) -> list[str]:
    chip, problems = read_map("small.yaml", text="gateword_map: 1\nchip: {name: small}\n" + text)
    assert chip is None
    return [str(p) for p in problems]


def both_ways(chip: Chip, frames: Sequence[tuple[str, int]]) -> Twin:
    """Each request makes its frame, which is recognised, alone and in an array; a twin that took all."""
    codec, many = Codec(chip), bulk.BulkCodec(chip)
    twin = Twin(chip)
    for request, word in frames:
        bank = twin.machine.bank
        planned = plan(chip, [request], bank)[-1].sent
        assert f"{planned.word:X}" == f"{word:X}", request
        seen = codec.decode_command(word, bank)
        assert (seen.frame, seen.kind, seen.register, seen.command, seen.flaws) == (
            planned.frame, planned.kind, planned.register, planned.command, (),
        ), request  # fmt: skip
        array = many.recognise(np.array([word], np.uint64), bank)
        assert array.flaws[0] == 0
        assert list(chip.frames)[array.frame[0]] == planned.frame.name
        name = planned.register.name if planned.register else None
        assert (many.names[array.register[0]] if array.register[0] >= 0 else None) == name
        twin.exchange(word)
        assert [e.text for e in twin.events if e.kind in ("rejected", "refused")] == [], request
    return twin


# --- registers told apart by their operation codes ---------------------------------------------------
CODES = load("""
spi: {mode: 1}
frames:
  word:
    length: 16
    command:
      op:     {bits: 15..12, holds: operation, codes: {get_status: 1, get_setup: 2, put_setup: 10, put_key: 12}}
      data:   {bits: 11..1, holds: data}
      parity: {bits: 0, holds: parity, parity: odd}
    reply: {after: 1, parts: {mark: {bits: 15..12, holds: fixed, value: 0b0110}, data: {bits: 11..1, holds: data}, parity: {bits: 0, holds: parity, parity: odd}}}
registers:
  STATUS: {operation: {read: get_status}, access: ro, fields: {ALL: {bits: 10..0}}}
  SETUP:  {operation: {read: get_setup, write: put_setup}, fields: {ALL: {bits: 10..0}}}
  KEY:    {operation: {write: put_key}, access: wo, fields: {ALL: {bits: 10..0}}}
""")


def test_registers_told_apart_by_their_operation_code() -> None:
    twin = both_ways(
        CODES,
        [
            ("SETUP=0x2A5", 0b1010_01010100101_0),  # two ones and five: odd already
            ("KEY=0x7FF", 0b1100_11111111111_0),  # thirteen ones
            ("read:SETUP", 0b0010_00000000000_0),
            ("read:STATUS", 0b0001_00000000000_0),
        ],
    )
    assert (twin.word("SETUP"), twin.word("KEY")) == (0x2A5, 0x7FF)
    twin.exchange(0b0010_00000000000_0)
    assert twin.exchange(0b0010_00000000000_0) == 0b0110_01010100101_0
    codec = Codec(CODES)
    with pytest.raises(CallError, match="cannot read KEY: part 'op' has no code for it"):
        codec.read(CODES.registers["KEY"])
    with pytest.raises(CallError, match="cannot write STATUS"):
        codec.write(CODES.registers["STATUS"], 0)
    assert codec.decode_command(0b0011_00000000000_1).kind == "unknown"


def test_two_registers_of_one_code_are_one_too_many() -> None:
    text = """
spi: {mode: 1}
frames:
  word: {length: 8, command: {op: {bits: 7, holds: operation, codes: {read: 1, write: 0}}, data: {bits: 6..0, holds: data}}}
registers:
  A: {fields: {ALL: {bits: 6..0}}}
  B: {fields: {ALL: {bits: 6..0}}}
"""
    assert refused(text) == [
        "small.yaml:9:6: error: a second register in frame 'word', which holds no address; expected one"
        " ('A' is it), an `operation` of its own, or a part that holds address [registers.B]"
    ]


# --- address spaces by operation; one address that reads one register and writes another ----------------
SPACES = load("""
spi: {mode: 1}
frames:
  word:
    length: 16
    command:
      op:      {bits: 15..14, holds: operation, codes: {write: 0, read: 1, peek: 2, poke: 3}}
      address: {bits: 13..12, holds: address}
      data:    {bits: 11..0, holds: data}
    reply: {after: 1, parts: {mark: {bits: 15..12, holds: fixed, value: 0b1001}, data: {bits: 11..0, holds: data}}}
registers:
  SETUP: {address: 1, fields: {ALL: {bits: 11..0}}}
  TRIM:  {address: 1, operation: {read: peek, write: poke}, fields: {ALL: {bits: 11..0}}}
  STATE: {address: 2, access: ro, reset: 0x123, fields: {ALL: {bits: 11..0}}}
  KEY:   {address: 2, access: wo, fields: {ALL: {bits: 11..0}}}
""")


def test_address_spaces_by_operation() -> None:
    twin = both_ways(
        SPACES,
        [
            ("SETUP=0x111", 0x1111),
            ("TRIM=0x222", 0xD222),
            ("read:SETUP", 0x5000),
            ("read:TRIM", 0x9000),
        ],
    )
    assert (twin.word("SETUP"), twin.word("TRIM")) == (0x111, 0x222)
    assert twin.exchange(0x5000) == 0x9222
    assert twin.exchange(0x5000) == 0x9111


def test_a_read_only_and_a_write_only_register_at_one_address() -> None:
    twin = both_ways(SPACES, [("KEY=0x777", 0x2777), ("read:STATE", 0x6000)])
    assert (twin.word("STATE"), twin.word("KEY")) == (0x123, 0x777)
    assert twin.exchange(0x6000) == 0x9123


# --- registers told apart by their layout alone, and families of layouts ---------------------------------
FAMILIES = load("""
spi: {mode: 1}
frames:
  brief:
    length: 8
    command: {op: {bits: 7, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 6..4, holds: address}, data: {bits: 3..0, holds: data}}
    reply: {after: 1, parts: {data: {bits: 7..0, holds: data}}}
  brief_safe:
    length: 16
    when: SAFE.ON == 1
    command: {op: {bits: 15, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 14..12, holds: address}, data: {bits: 11..8, holds: data}, crc: {bits: 7..0, holds: crc, polynomial: 0x07}}
    reply: {after: 1, parts: {data: {bits: 15..8, holds: data}, crc: {bits: 7..0, holds: crc, polynomial: 0x07}}}
  long:
    length: 24
    command: {op: {bits: 23..20, holds: operation, codes: {read: 0b1111, write: 0b0111}}, data: {bits: 19..0, holds: data}}
    reply: {after: 1, parts: {all: {bits: 23..20, holds: ignored}, data: {bits: 19..0, holds: data}}}
  long_safe:
    length: 32
    when: SAFE.ON == 1
    named_only: yes
    command: {op: {bits: 31..28, holds: operation, codes: {read: 0b1111, write: 0b0111}}, data: {bits: 27..8, holds: data}, crc: {bits: 7..0, holds: crc, polynomial: 0x07}}
    reply: {after: 1, parts: {all: {bits: 31..28, holds: ignored}, data: {bits: 27..8, holds: data}, crc: {bits: 7..0, holds: crc, polynomial: 0x07}}}
registers:
  SAFE: {address: 1, width: 4, fields: {ON: {bits: 0}}, reserved: {3..1: 0}}
  GATE: {address: 2, width: 4, fields: {ALL: {bits: 3..0}}}
  WIDE: {frame: [long_safe, long], fields: {ALL: {bits: 19..0}}}
""")


def test_families_of_layouts_follow_the_condition_together() -> None:
    """CRC-8/SMBUS of the public CRC catalogue, which gives 0xF4 over "123456789", worked bit by bit."""

    def crc(*data: int) -> int:
        value = 0
        for byte in data:
            value ^= byte
            for _ in range(8):
                value = (value << 1 ^ (0x107 if value & 0x80 else 0)) & 0xFF
        return value

    assert crc(*b"123456789") == 0xF4
    wide = int.from_bytes([0x7A, 0xBC, 0xDE], "big") << 8 | crc(0x7A, 0xBC, 0xDE)
    twin = both_ways(
        FAMILIES,
        [
            ("GATE=5", 0x25),
            ("WIDE=0x12345", 0x712345),
            ("SAFE.ON=1", 0x11),
            ("GATE=6", 0x2600 | crc(0x26)),
            ("WIDE=0xABCDE", wide),
            ("SAFE.ON=0", 0x1000 | crc(0x10)),
            ("GATE=7", 0x27),
        ],
    )
    assert (twin.word("GATE"), twin.word("WIDE")) == (7, 0xABCDE)


def test_registers_told_apart_by_their_layout_alone() -> None:
    chip = load("""
spi: {mode: 1}
frames:
  short: {length: 8, command: {op: {bits: 7, holds: operation, codes: {read: 1, write: 0}}, data: {bits: 6..0, holds: data}}, reply: {after: 1, parts: {up: {bits: 7, holds: ignored}, data: {bits: 6..0, holds: data}}}}
  long: {length: 16, command: {op: {bits: 15, holds: operation, codes: {read: 1, write: 0}}, data: {bits: 14..0, holds: data}}, reply: {after: 1, parts: {up: {bits: 15, holds: ignored}, data: {bits: 14..0, holds: data}}}}
registers:
  A: {fields: {ALL: {bits: 6..0}}}
  B: {frame: long, fields: {ALL: {bits: 14..0}}}
""")
    codec = Codec(chip)
    for request, word, bits in (
        ("A=0x55", 0x55, 8),
        ("B=0x1234", 0x1234, 16),
        ("read:B", 0x8000, 16),
    ):
        sent = plan(chip, [request])[-1].sent
        assert (sent.word, sent.bits) == (word, bits)
        assert codec.decode_command(word, bits=bits).register is sent.register
    twin = Twin(chip)
    twin.transfer([(0x55, 8), (0x1234, 16)])
    assert (twin.word("A"), twin.word("B")) == (0x55, 0x1234)


# --- data of different widths in command and reply --------------------------------------------------------
WIDTHS = """
spi: {{mode: 1}}
frames:
  word:
    length: 16
    command:
      op:      {{bits: 15, holds: operation, codes: {{read: 1, write: 0}}}}
      address: {{bits: 14..12, holds: address}}
      data:    {{bits: 11..4, holds: data}}
      mark:    {{bits: 3..0, holds: fixed, value: 0b1010}}
    reply: {{after: 1, parts: {{up: {{bits: 15..14, holds: fixed, value: 0b01}}, data: {{bits: 13..0, holds: data}}}}}}
registers:
  STATE: {{address: 1, width: 14, access: ro, reset: 0x2345, fields: {{ALL: {{bits: 13..0}}}}}}
  MIXED: {{address: 2, width: 12, fields: {{SEEN: {{bits: 11..8, access: ro, reset: 9}}, SET: {{bits: {set}}}}}}}
"""


def test_reply_data_wider_than_command_data() -> None:
    chip = load(WIDTHS.format(set="7..0"))
    twin = both_ways(
        chip, [("MIXED.SET=0x5A", 0x25AA), ("read:STATE", 0x900A), ("read:MIXED", 0xA00A)]
    )
    assert twin.word("MIXED") == 0x95A
    assert twin.exchange(0x900A) == 0x4000 | 0x95A
    assert twin.exchange(0x900A) == 0x4000 | 0x2345
    answer = Codec(chip).decode_reply(0x4000 | 0x2345, Codec(chip).read(chip.registers["STATE"]))
    assert (answer.data, answer.flaws) == (0x2345, ())


def test_a_field_that_no_command_reaches_cannot_be_written() -> None:
    assert refused(
        WIDTHS.format(set="8..1").replace("11..8,", "11..9,").replace("reset: 9", "reset: 1")
    ) == [
        "small.yaml:16:98: error: bit 8 of a field that can be written; expected bits 0..7, as a command"
        " carries, or access: ro [registers.MIXED.fields.SET]"
    ]


def test_reply_data_narrower_than_command_data() -> None:
    text = """
spi: {mode: 1}
frames:
  word:
    length: 16
    command: {op: {bits: 15, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 14..12, holds: address}, data: {bits: 11..0, holds: data}}
    reply: {after: 1, parts: {up: {bits: 15..8, holds: fixed, value: 0x6B}, data: {bits: 7..0, holds: data}}}
registers:
  SETUP: {address: 1, fields: {LOW: {bits: 7..0}, HIGH: {bits: 11..8ACCESS}}}
"""
    assert refused(text.replace("ACCESS", "")) == [
        "small.yaml:11:10: error: bits 11..8, which no reply shows; expected access: wo for the fields there, or read_mask: 0xFF where they are no settings [registers.SETUP]"
    ]
    chip = load(text.replace("ACCESS", ", access: wo"))
    twin = both_ways(chip, [("SETUP=0xABC", 0x1ABC), ("read:SETUP", 0x9000)])
    assert twin.word("SETUP") == 0xABC
    assert twin.exchange(0x9000) == 0x6BBC
    bank = Bank(chip)
    bank.learn_read("SETUP", 0xBC)
    assert bank.known["SETUP"] == 0xFF


# --- commands with bits that do not matter ------------------------------------------------------------------
def test_bits_of_a_command_that_do_not_matter() -> None:
    chip = load("""
spi: {mode: 1}
frames:
  word:
    length: 16
    command: {op: {bits: 15..14, holds: operation, codes: {read: 1, write: 2}}, address: {bits: 13..8, holds: address}, data: {bits: 7..0, holds: data}}
    reply: {after: 1, parts: {all: {bits: 15..8, holds: ignored}, data: {bits: 7..0, holds: data}}}
commands:
  CLEAR: {parts: {op: 3, address: 0b1x01xx}, effects: ["A.ALL = 0"]}
registers:
  A: {address: 0b100100, fields: {ALL: {bits: 7..0, reset: 0x11}}}
""")
    twin = both_ways(chip, [("CLEAR", 0b11_100100_00000000)])
    assert twin.word("A") == 0
    codec, many = Codec(chip), bulk.BulkCodec(chip)
    words = list(range(0b11 << 14, 1 << 16, 37))
    array = many.recognise(np.array(words, np.uint64))
    for place, word in enumerate(words):
        hit = word >> 8 & 0b101100 == 0b100100
        seen = codec.decode_command(word)
        assert (seen.command is not None) == hit, hex(word)
        assert bool(seen.flaws) == (not hit)
        assert (array.kind[place] == bulk.COMMAND) == hit
        assert (array.flaws[place] == 0) == hit


# --- pages ----------------------------------------------------------------------------------------------------
def test_a_register_of_no_page_cannot_share_an_address_that_page_0_has() -> None:
    text = """
spi: {mode: 1}
frames:
  word: {length: 16, command: {op: {bits: 15, holds: operation, codes: {read: 1, write: 0}}, page: {bits: 14, holds: page}, address: {bits: 13..8, holds: address}, data: {bits: 7..0, holds: data}}}
registers:
  A: {address: 1, page: PAGE, fields: {ALL: {bits: 7..0}}}
  B: {address: 1, fields: {ALL: {bits: 7..0}}}
"""
    assert refused(text.replace("PAGE", "0")) == [
        "small.yaml:9:16: error: the address 0x1 again; expected an address of its own ('A' has it) [registers.B]"
    ]
    chip = load(text.replace("PAGE", "1"))
    both_ways(chip, [("A=1", 0x4101), ("B=2", 0x0102)])


def test_no_register_without_a_page_hides_behind_a_selected_one() -> None:
    text = find_document("potoroo40").read_text(encoding="utf-8")
    changed = text.replace("  LAST:\n    address: 0x01\n", "  LAST:\n    address: 0x11\n")
    _, problems = read_map("potoroo.yaml", text=changed)
    assert any(
        "the address 0x11 on page 1 again" in str(p) or "the address 0x11 again" in str(p)
        for p in problems
    )


# --- replies: layouts chosen by a field, by the command, by an earlier command ---------------------------------
ANSWERS = load("""
spi: {mode: 1}
frames:
  word:
    length: 16
    command: {op: {bits: 15..14, holds: operation, codes: {read: 1, write: 2, get: 3}}, address: {bits: 13..12, holds: address}, data: {bits: 11..0, holds: data}}
    reply:
      after: 1
      parts: {mark: {bits: 15..12, holds: fixed, value: 1}, data: {bits: 11..0, holds: data}}
      to:
        PING: {mark: {bits: 15..0, holds: fixed, value: 0xCAFE}}
        get: {mark: {bits: 15..12, holds: fixed, value: 2}, data: {bits: 11..0, holds: data}}
      cases:
        short:
          when: MODE.SHORT == 1
          parts: {mark: {bits: 15..12, holds: fixed, value: 4}, data: {bits: 11..4, holds: data}, tail: {bits: 3..0, holds: fixed, value: 9}}
        talking:
          when: talk
          to: {read: {mark: {bits: 15..12, holds: fixed, value: 8}, data: {bits: 11..0, holds: data}}}
commands:
  PING: {parts: {op: 0, address: 1}}
  TALK: {parts: {op: 0, address: 2}}
states:
  talk: {entered_by: [TALK], left_by: [PING, reset]}
registers:
  MODE: {address: 0, width: 8, fields: {SHORT: {bits: 0}, REST: {bits: 7..1}}}
  FLAG: {address: 1, width: 8, operation: {read: get}, access: ro, reset: 0x5A, fields: {ALL: {bits: 7..0}}}
""")


def test_reply_layouts_by_command_field_and_earlier_command() -> None:
    """Each pair is what goes in and what came out meanwhile, the answer to the frame before."""
    from regmap.trace.frames.decoded import Judge
    from regmap.trace.frames.pairs import Pair

    talk = [
        (0x1000, None),  # PING
        (0x4000, 0xCAFE),  # read MODE
        (0xD000, 0x1000),  # get FLAG
        (0x8001, 0x205A),  # MODE = 1: from here on replies are short
        (0x4000, 0x4009),  # read MODE; the answer to the write, in the short layout
        (0x8000, 0x4019),  # MODE = 0
        (0x2000, 0x1001),  # TALK; the old content, in the usual layout again
        (0x4000, 0x1000),  # read MODE
        (0xD000, 0x8000),  # get FLAG; what is read is told otherwise now
        (0x1000, 0x805A),  # PING ends it
        (0x4000, 0xCAFE),
    ]
    codec, twin = Codec(ANSWERS), Twin(ANSWERS)
    judge = Judge(ANSWERS)
    last = None
    for word, expected in talk:
        reply = twin.exchange(word)
        if expected is not None:
            assert f"{reply:04X}" == f"{expected:04X}", f"while {word:04X}"
            answer = codec.decode_reply(reply, last[0], bank=last[1])
            assert answer.flaws == ()
            # a capture finds the layout although nobody tells it the state
            pair = Pair(
                word=last[0].word, unknown=0, bits=16, flags=0, replies=((1, reply, 0, 16),)
            )
            decoded = judge.decode(pair, Bank(ANSWERS))
            assert decoded.believed is not None, f"{reply:04X}"
        last = codec.decode_command(word, twin.machine.bank), twin.machine.bank.copy()
        assert last[0].flaws == ()


# --- check bits over what was received and what is sent -----------------------------------------------------
OVER = load("""
spi: {mode: 1}
frames:
  word:
    length: 16
    command: {op: {bits: 15, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 14..12, holds: address}, data: {bits: 11..4, holds: data}, crc: {bits: 3..0, holds: crc, polynomial: 0x3, init: 0xF}}
    reply:
      after: 1
      parts: {data: {bits: 15..8, holds: data}, open: {bits: 7..5, holds: fixed, value: 0b101}, p: {bits: 4, holds: parity, parity: odd, over: 15..5, over_command: 15..12}, crc: {bits: 3..0, holds: crc, polynomial: 0x3, init: 0xF, over: 15..4, over_command: 15..4}}
registers:
  A: {address: 1, fields: {ALL: {bits: 7..0, reset: 0x3C}}}
  B: {address: 2, fields: {ALL: {bits: 7..0, reset: 0x3C}}}
""")


def crc4(bits: str) -> int:
    """x^4 + x + 1 from 1111, bit by bit."""
    value = 0xF
    for bit in bits:
        top = value >> 3 ^ int(bit)
        value = value << 1 & 0xF ^ (0x3 if top else 0)
    return value


def test_check_bits_over_command_and_reply_together() -> None:
    codec = Codec(OVER)
    for name in "AB":
        sent = codec.read(OVER.registers[name])
        head = f"{0b1_000 | OVER.registers[name].address:04b}00000000"
        assert sent.word == int(head, 2) << 4 | crc4(head)
        reply = codec.build_reply(sent, 0x3C)
        body = "00111100101"
        parity = str((body + head[:4]).count("1") + 1 & 1)
        assert reply == int(body + parity, 2) << 4 | crc4(f"{head}{body}{parity}")
        assert codec.decode_reply(reply, sent).flaws == ()
        for bit in range(16):
            assert codec.decode_reply(reply ^ 1 << bit, sent).flaws, bit
        twin = Twin(OVER)
        twin.exchange(sent.word)
        assert twin.exchange(sent.word) == reply
        # the same data in answer to another question is no answer to this one
        other = codec.read(OVER.registers["B" if name == "A" else "A"])
        assert codec.decode_reply(reply, other).flaws
        layout = codec.reply_layout(sent)
        assert layout is not None
        flips = np.array([reply, *(reply ^ 1 << b for b in range(16))], np.uint64)
        words = np.full(17, sent.word, np.uint64)
        assert bulk.flawless(layout, flips, words).tolist() == [True] + [False] * 16
        assert not bulk.flawless(layout, flips[:1], np.array([other.word], np.uint64))[0]
        rebuilt = [
            bulk.guard_values(p, flips & ~np.uint64(0x1F), words)
            for p in layout.parts
            if p.kind in ("parity",)
        ]
        assert int(rebuilt[0][0]) == int(parity)


# --- values and faults that live only in replies ----------------------------------------------------------------
REPLIES_TEXT = """
spi: {mode: 1}
frames:
  word:
    length: 16
    command: {op: {bits: 15, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 14..12, holds: address}, data: {bits: 11..4, holds: data}, crc: {bits: 3..0, holds: crc, polynomial: 0x3, init: 0xF}}
    reply:
      after: 1
      parts: {hot: {bits: 15, holds: status, fault: HOT}, level: {bits: 14..12, holds: field, field: ANSWER.LEVEL}, data: {bits: 11..4, holds: data}, crc: {bits: 3..0, holds: crc, polynomial: 0x3, init: 0xF}}
registers:
  A: {address: 1, fields: {ALL: {bits: 7..0, reset: 0x3C}}}
  ANSWER: {in_replies: yes, width: 4, access: ro, reset: 0b0101, fields: {LEVEL: {bits: 2..0, options: {0..4: cold, 5: warm, 6..7: hot}}, HOT: {bits: 3}}}
faults:
  HOT: {at: ANSWER.HOT, title: Too hot, causes: [load], check_first: [heat sink], cleared_by: [reset], raised_by: [check_bits]}
"""
REPLIES = load(REPLIES_TEXT)


def sealed(head: str) -> int:
    return int(head, 2) << 4 | crc4(head)


READ_A = sealed("100100000000")
#: level 101, data 0x3C; and with the fault in bit 15
COOL, HOT = sealed("010100111100"), sealed("110100111100")


def test_values_and_faults_that_live_only_in_replies() -> None:
    codec = Codec(REPLIES)
    sent = codec.read(REPLIES.registers["A"])
    assert sent.word == READ_A
    with pytest.raises(CallError, match="no command reaches ANSWER"):
        plan(REPLIES, ["read:ANSWER"])
    twin = Twin(REPLIES)
    twin.exchange(READ_A)
    assert twin.exchange(READ_A) == COOL
    twin.exchange(READ_A ^ 1)  # its check bits raise the fault
    assert (twin.exchange(READ_A) >> 15, twin.exchange(READ_A)) == (1, HOT)
    cool, hot = (said(REPLIES, sent, codec.decode_reply(w, sent)) for w in (COOL, HOT))
    assert (cool.fields, cool.faults, cool.data) == ({"ANSWER.LEVEL": 5}, {"HOT": False}, 0x3C)
    assert hot.faults == {"HOT": True}
    array = bulk.flawless(sent.frame.replies["any"], np.array([COOL, HOT, COOL ^ 1], np.uint64))
    assert array.tolist() == [True, True, False]


def test_decode_and_explain_tell_them(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from regmap.cli.main import main

    file = tmp_path / "replies.yaml"
    file.write_text("gateword_map: 1\nchip: {name: small}\n" + REPLIES_TEXT, encoding="utf-8")
    assert main(["decode", str(file), f"0x{READ_A:X}:0x{HOT:X}"]) == 0
    shown = capsys.readouterr().out
    assert "ANSWER.LEVEL = warm" in shown
    assert "hot SET: Too hot" in shown
    assert main(["explain", str(file), f"A:0x{HOT:X}"]) == 1
    assert "HOT at ANSWER.HOT: Too hot" in capsys.readouterr().out
    assert main(["show", str(file), "ANSWER"]) == 0
    assert "in replies only" in capsys.readouterr().out
    assert main(["header", str(file), "-o", str(tmp_path / "replies.h")]) == 0
    assert "level;" in (tmp_path / "replies.h").read_text(encoding="utf-8")


def test_a_capture_and_a_link_know_them() -> None:
    import io

    from regmap.capture.formats.opening import open_capture
    from regmap.trace.tracer import trace_capture

    out = io.StringIO()
    twin = Twin(REPLIES, vcd=out)
    for word in (READ_A, READ_A, READ_A ^ 1, READ_A, READ_A):
        twin.exchange(word)
    twin.close()
    with open_capture(io.BytesIO(out.getvalue().encode()), name="dump.vcd") as capture:
        (walker,) = trace_capture(capture, [REPLIES]).walkers
    assert walker.belief.bank.code("ANSWER.LEVEL") == 5
    assert [(i.fault, i.clear_before) for i in walker.faults.intervals] == [("HOT", 1)]
    place = Path(__file__).parents[1] / "link" / "bench.py"
    spec = importlib.util.spec_from_file_location("bench_of_link", place)
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    bench = module.Bench(REPLIES)
    reading = bench.link.read("ANSWER")
    assert (reading.grade, reading.word) == ("good", 0b0101)


@pytest.mark.parametrize(
    ("old", "new", "found"),
    [
        ("in_replies: yes, width: 4, ", "in_replies: yes, address: 2, width: 4, ", "`address` beside in_replies"),
        ("in_replies: yes, width: 4, access: ro", "in_replies: yes, width: 4, access: rw", "a field that no command reaches, and that is not read-only"),
        ("field: ANSWER.LEVEL", "field: ANSWER.LEVLE", "the field 'ANSWER.LEVLE'"),
        ("field: ANSWER.LEVEL", "field: A.ALL", "3 bits of A.ALL"),
        ("holds: field, field: ANSWER.LEVEL", "holds: field", "no key 'field'"),
    ],
)  # fmt: skip
def test_what_is_wrong_with_a_register_in_replies(old: str, new: str, found: str) -> None:
    assert any(found in line for line in refused(REPLIES_TEXT.replace(old, new)))


# --- addresses that every chip takes ---------------------------------------------------------------------------
SHARED_TEXT = """
spi: {mode: 1}
frames:
  word:
    length: 16
    command: {chip: {bits: 15..14, holds: chip, value: 1, shared: [3]}, op: {bits: 13, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 12, holds: address}, data: {bits: 11..0, holds: data}}
    reply: {after: 1, parts: {chip: {bits: 15..14, holds: chip, value: 1}, mark: {bits: 13..12, holds: fixed, value: 0b10}, data: {bits: 11..0, holds: data}}}
registers:
  A: {address: 0, fields: {ALL: {bits: 11..0}}}
"""
SHARED = load(SHARED_TEXT)


def test_a_shared_chip_address_is_taken_and_not_answered() -> None:
    codec, twin = Codec(SHARED), Twin(SHARED)
    sent = codec.write(SHARED.registers["A"], 0x123, given={"chip": 3})
    assert sent.word == 0xC123
    assert sent.shared
    seen = codec.decode_command(0xC123)
    assert (seen.register, seen.flaws, seen.shared, seen.elsewhere) == (
        SHARED.registers["A"],
        (),
        True,
        None,
    )
    assert codec.reply_layout(seen) is None
    for address, mine in ((0, False), (1, True), (2, False), (3, True)):
        word = address << 14 | 0x055
        assert (codec.decode_command(word).flaws == ()) == mine
        assert (bulk.BulkCodec(SHARED).recognise(np.array([word], np.uint64)).flaws[0] == 0) == mine
    twin.exchange(0xC123)
    assert twin.word("A") == 0x123
    twin.exchange(0x6000)
    assert twin.exchange(0x6000) == 0x6123


def test_what_is_wrong_with_shared_addresses_and_covered_commands() -> None:
    text = """
spi: {mode: 1}
frames:
  word:
    length: 8
    command: {chip: {bits: 7..6, holds: chip, value: 1, shared: [1]}, data: {bits: 5..1, holds: data}, p: {bits: 0, holds: parity, parity: odd, over_command: 7..1}}
registers:
  A: {fields: {ALL: {bits: 4..0}}}
"""
    assert refused(text) == [
        "small.yaml:8:66: error: the shared address 1; expected an address of 2 bits that is not the chip's own"
        " [frames.word.command.chip]",
        "small.yaml:8:145: error: over_command in a command; expected over [frames.word.command.p]",
    ]


# --- what goes out before it can be known -------------------------------------------------------------------------
SAME_FRAME = """
spi: {{mode: 1{order}}}
frames:
  word:
    length: 24
    bursts: [8, 16]
    command: {{data: {{bits: 23..12, holds: data}}, op: {{bits: 11, holds: operation, codes: {{read: 1, write: 0}}}}, address: {{bits: 10..8, holds: address}}, open: {{bits: 7..0, holds: ignored}}}}
    reply:
      after: 0
      parts: {{up: {{bits: [23..{high}, {rest}], holds: fixed, value: 0}}, data: {{bits: {data}, holds: data}}}}
registers:
  A: {{address: 1, width: 8, fields: {{ALL: {{bits: 7..0}}}}}}
"""


@pytest.mark.parametrize(
    ("order", "data", "high", "rest", "found"),
    [
        ("", "7..0", 9, 8, ""),
        (
            "",
            "8..1",
            10,
            "9, 0",
            "bit 8 of 'data' goes out with clock 16, and 'address' is in with clock 16 only",
        ),
        # in the second burst, 15..0, bit 0 leads: the address, 10..8, is in with clock 8 + 11
        (", bit_order: lsb_first", "15..11", 17, "16, 10..0", ""),
        (
            ", bit_order: lsb_first",
            "15..10",
            17,
            "16, 9..0",
            "bit 10 of 'data' goes out with clock 19, and 'address' is in with clock 19 only",
        ),
    ],
)
def test_a_reply_in_the_same_frame_cannot_tell_of_what_is_not_in_yet(
    order: str, data: str, high: int, rest: object, found: str
) -> None:
    text = (
        SAME_FRAME.format(order=order, data=data, high=high, rest=rest)
        .replace("width: 8", "width: 4")
        .replace("7..0}}}}}}", "3..0}}}")
    )
    text = text.replace("fields: {ALL: {bits: 7..0}}", "fields: {ALL: {bits: 3..0}}")
    chip, problems = check_map("small.yaml", text="gateword_map: 1\nchip: {name: small}\n" + text)
    assert chip is not None, problems
    errors = [p.found for p in problems if p.severity == "error"]
    assert errors == ([found] if found else [])


# --- frames that are no whole bytes ------------------------------------------------------------------------------
TWENTY = """
spi: {{mode: 1{keys}}}
frames:
  word:
    length: 20
    command: {{op: {{bits: 19, holds: operation, codes: {{read: 1, write: 0}}}}, address: {{bits: 18..16, holds: address}}, data: {{bits: 15..4, holds: data}}, crc: {{bits: 3..0, holds: crc, polynomial: 0x3, init: 0xF}}}}
    reply: {{after: 1, parts: {{mark: {{bits: 19..16, holds: fixed, value: 0b1010}}, data: {{bits: 15..4, holds: data}}, crc: {{bits: 3..0, holds: crc, polynomial: 0x3, init: 0xF}}}}}}
registers:
  A: {{address: 1, fields: {{ALL: {{bits: 11..0}}}}}}
  B: {{address: 2, fields: {{ALL: {{bits: 11..0, reset: 0x5C3}}}}}}
"""


@pytest.mark.parametrize("order", ["", ", bit_order: lsb_first"])
@pytest.mark.parametrize("extra", ["first_count", "last_count", "rejected", ""])
def test_a_chip_takes_of_whole_bytes_what_its_map_says(extra: str, order: str) -> None:
    """Twenty bits in three bytes: what the controller really drives, 24 clocks, reaches the simulated chip."""
    import io

    from regmap.capture.formats.opening import open_capture
    from regmap.frames.structs import build_parts
    from regmap.frames.words import command_bytes, from_wire, spoken_bytes
    from regmap.trace.tracer import trace_capture

    chip = load(TWENTY.format(keys=(f", extra_clocks: {extra}" if extra else "") + order))
    codec = Codec(chip)
    out = io.StringIO()
    twin = Twin(chip, vcd=out)
    write = codec.write(chip.registers["A"], 0x9AB)
    read = codec.read(chip.registers["B"])
    head = "0" + "001" + "100110101011"
    assert write.word == int(head, 2) << 4 | crc4(head)
    bits = f"{write.word:020b}" if not order else f"{write.word:020b}"[::-1]
    padded = "0000" + bits if extra == "last_count" else bits + "0000"
    sent = command_bytes(chip.spi, write.word, 20)
    assert sent == int(padded, 2).to_bytes(3, "big")
    assert build_parts(chip, write.frame, write.frame.command, write.parts) == sent
    replies = []
    for frame in (write, read, read):
        data = command_bytes(chip.spi, frame.word, 20)
        # every clock reaches the chip; its bus takes words as the data sheet writes them
        value = int.from_bytes(data, "big")
        value = value if not order else int(f"{value:024b}"[::-1], 2)
        [seen] = twin.transfer([(value, 24)])
        seen = seen if not order else int(f"{seen:024b}"[::-1], 2)
        replies.append(from_wire(seen.to_bytes(3, "big"), 20, msb_first=not order))
    twin.close()
    taken = extra in ("first_count", "last_count")
    assert twin.word("A") == (0x9AB if taken else 0)
    assert len([e for e in twin.events if e.kind == "rejected"]) == (0 if taken else 3)
    said = spoken_bytes(chip.spi, 20)
    assert said.startswith("3 bytes, 24 clocks for 20 bits: 4 zero bits ")
    assert ("before them, since of more clocks the last 20 count" in said) == (
        extra == "last_count"
    )
    assert (
        "set the controller to transfers of 20 bits" in said or "transfers of 10 bits" in said
    ) == (not taken)
    if not taken:
        return
    answer = codec.decode_reply(replies[2], read)
    assert (answer.data, answer.flaws) == (0x5C3, ())
    with open_capture(io.BytesIO(out.getvalue().encode()), name="dump.vcd") as capture:
        trace = trace_capture(capture, [chip])
    (walker,) = trace.walkers
    assert [walker.log.title(i) for i in walker.log.idents().tolist()] == [
        "write A",
        "read B",
        "read B",
    ]
    assert walker.belief.bank.word("B") == 0x5C3


def test_vet_asks_what_becomes_of_clocks_that_fill_up_bytes() -> None:
    from regmap.maps.vet import warnings

    texts = [p.found for p in warnings(load(TWENTY.format(keys="")))]
    assert (
        "frame 'word' sends 20 bits, no whole bytes, and nothing says what the chip does with more clocks"
        in texts
    )
    assert not any(
        "whole bytes" in p.found
        for p in warnings(load(TWENTY.format(keys=", extra_clocks: rejected")))
    )


def test_bytes_are_told_in_words(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    from regmap.cli.main import main

    file = tmp_path / "twenty.yaml"
    file.write_text(
        "gateword_map: 1\nchip: {name: small}\n" + TWENTY.format(keys=", extra_clocks: last_count"),
        encoding="utf-8",
    )
    assert main(["encode", str(file), "A=0x9AB", "--bytes"]) == 0
    shown = capsys.readouterr()
    head = "0001100110101011"
    assert shown.out == (int(head, 2) << 4 | crc4(head)).to_bytes(3, "big").hex(" ").upper() + "\n"
    assert "4 zero bits before them, since of more clocks the last 20 count" in " ".join(
        shown.err.split()
    )
    assert main(["encode", "potoroo40", "CLEAR"]) == 0
    assert "controller that sends bit 7 first" in " ".join(capsys.readouterr().out.split())


# --- headers of a daisy chain -----------------------------------------------------------------------------------
CHAINED = load("""
spi: {mode: 1}
frames:
  word:
    length: 16
    command: {op: {bits: 15, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 14..12, holds: address}, data: {bits: 11..1, holds: data}, parity: {bits: 0, holds: parity, parity: odd}}
    reply: {after: 1, parts: {mark: {bits: 15..12, holds: fixed, value: 0b0101}, data: {bits: 11..1, holds: data}, parity: {bits: 0, holds: parity, parity: odd}}}
commands:
  REST: {parts: {op: 0, address: 7, data: 0x2AA}, effects: ["A.ALL = 0"]}
registers:
  A: {address: 1, fields: {ALL: {bits: 10..0}}}
  B: {address: 2, access: ro, reset: 0x123, fields: {ALL: {bits: 10..0}}}
chain:
  headers:
    - {length: 8, value: 0b1000_0000, count: 5..0, commands: {REST: 6}}
    - {length: 8, value: 0b1100_0000}
  split: 8
  reply_headers: between
""")


def test_headers_carry_the_count_and_commands_to_every_chip() -> None:
    from regmap.errors import FrameError
    from regmap.frames import chain as chains

    chain = CHAINED.chain
    assert chain is not None
    words = [(0x1235, 16), (0x1456, 16)]
    value, bits = chains.pack(chain, words)
    # 10 000010: two chips; 11000000; then the farther chip's first byte, the nearer's, and so on
    assert (f"{value:X}", bits) == ("82C014125635", 48)
    asked, _ = chains.pack(chain, words, ["REST"])
    assert f"{asked:X}" == "C2C014125635"
    assert chains.unpack(chain, (asked, 48), [16, 16]) == [0x1235, 0x1456]
    assert (chains.given(chain, (asked, 48)), chains.given(chain, (value, 48))) == (("REST",), ())
    with pytest.raises(FrameError, match="a count of 3 chips where there are 2"):
        chains.unpack(chain, (value + (1 << 40), 48), [16, 16])
    with pytest.raises(CallError, match="no header of the chain gives 'RUN'; REST"):
        chains.pack(chain, words, ["RUN"])


def test_a_capture_looks_at_the_headers_of_a_chain() -> None:
    import io

    from regmap.capture.formats.opening import open_capture
    from regmap.frames import chain as chains
    from regmap.trace.tracer import trace_capture
    from regmap.twin.chain import TwinChain

    chain = CHAINED.chain
    assert chain is not None
    codec = Codec(CHAINED)
    registers = CHAINED.registers
    read = codec.read(registers["B"]).word

    def stream(a: int, b: int, commands: Sequence[str] = ()) -> tuple[int, int]:
        return chains.pack(chain, [(a, 16), (b, 16)], commands)

    write = [codec.write(registers["A"], n).word for n in (0x111, 0x222)]
    out = io.StringIO()
    twin = TwinChain([CHAINED, CHAINED], vcd=out)
    twin.transfer([stream(*write), stream(read, read), stream(read, read)])
    assert [core.machine.bank.words["A"] for core in twin.cores] == [0x111, 0x222]
    wrong_count = (stream(*write)[0] + (1 << 40), 48)
    wrong_bits = (stream(*write)[0] ^ (1 << 33), 48)
    twin.transfer([wrong_count, wrong_bits, stream(read, read, ["REST"]), stream(read, read)])
    assert [core.machine.bank.words["A"] for core in twin.cores] == [0, 0]
    twin.close()
    with open_capture(io.BytesIO(out.getvalue().encode()), name="dump.vcd") as capture:
        trace = trace_capture(capture, [CHAINED, CHAINED])
    for walker in trace.walkers:
        idents = walker.log.idents().tolist()
        assert [walker.log.title(i) for i in idents] == [
            "write A", "read B", "read B", "rejected", "rejected", "read B", "read B",
        ]  # fmt: skip
        assert (
            walker.log.decoded(idents[3]).trouble
            == "a header of the chain counts another number than 2 chips"
        )
        assert (
            walker.log.decoded(idents[4]).trouble
            == "a header of the chain holds other bits than the map says"
        )
        assert walker.log.decoded(idents[5]).given == ("REST",)
        assert walker.belief.bank.word("A") == 0


def test_a_register_without_an_address_is_shown_with_what_tells_it(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    import json

    from regmap.cli.main import main

    assert CODES.place_of(CODES.registers["SETUP"]) == "read by get_setup, write by put_setup"
    assert SPACES.place_of(SPACES.registers["TRIM"]) == "address 0x01, read by peek, write by poke"
    assert FAMILIES.place_of(FAMILIES.registers["WIDE"]) == "frame long_safe"
    file = tmp_path / "codes.yaml"
    lines = [
        "gateword_map: 1", "chip: {name: small}", "spi: {mode: 1}", "frames:", "  word:", "    length: 8",
        "    command: {op: {bits: 7..6, holds: operation, codes: {look: 1, put: 2}}, data: {bits: 5..0, holds: data}}",
        "registers:", "  A: {operation: {read: look, write: put}, fields: {ALL: {bits: 5..0}}}",
    ]  # fmt: skip
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    assert main(["show", str(file), "A"]) == 0
    assert "A  read by look, write by put, 6 bits" in capsys.readouterr().out
    assert main(["show", str(file), "A", "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)
    assert (shown["address"], shown["operations"]) == (None, {"read": "look", "write": "put"})
    assert main(["decode", str(file), "0xA5"]) == 0
    assert "A5  write A = 0x25" in capsys.readouterr().out


def test_a_register_that_no_frame_carries_is_an_error() -> None:
    text = """
spi: {mode: 1}
frames:
  word: {length: 8, named_only: yes, command: {op: {bits: 7, holds: operation, codes: {read: 1, write: 0}}, data: {bits: 6..0, holds: data}}}
registers:
  A: {fields: {ALL: {bits: 6..0}}}
"""
    assert refused(text) == [
        "small.yaml:8:6: error: no key 'frame', and each frame carries only who names it; expected frame: word [registers.A]"
    ]
    load(text.replace("A: {", "A: {frame: word, "))


def test_a_word_for_every_chip_is_told_as_that(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from regmap.cli.main import main

    file = tmp_path / "shared.yaml"
    file.write_text("gateword_map: 1\nchip: {name: small}\n" + SHARED_TEXT, encoding="utf-8")
    assert main(["decode", str(file), "0xC123"]) == 0
    assert "to every chip on the select, and none answers" in capsys.readouterr().out
