"""What data sheets say of frames, each in a small map: encoded, decoded, simulated, and in arrays.

Every frame stands here as it was put together by hand from the layout above it.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest

from regmap.behaviour.plan import plan
from regmap.chip.bank import Bank
from regmap.chip.model import Chip
from regmap.errors import CallError
from regmap.frames import bulk
from regmap.frames.codec import Codec
from regmap.maps.load import find_document, read_map
from regmap.twin import Twin


def load(text: str) -> Chip:
    chip, problems = read_map("small.yaml", text="gateword_map: 1\nchip: {name: small}\n" + text)
    assert chip is not None, "\n".join(map(str, problems))
    assert [p for p in problems if p.severity == "error"] == []
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
  SETUP: {address: 1, MASKfields: {ALL: {bits: 11..0}}}
"""
    assert refused(text.replace("MASK", "")) == [
        "small.yaml:11:10: error: bits 11..8, which no reply shows; expected read_mask: 0xFF [registers.SETUP]"
    ]
    chip = load(text.replace("MASK", "read_mask: 0xFF, "))
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
