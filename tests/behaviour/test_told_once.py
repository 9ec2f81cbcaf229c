"""What random maps showed to be told in two ways, each in a small map: one answer now, for whoever asks."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Any

import pytest

from regmap.behaviour.machine import Machine
from regmap.behaviour.plan import plan
from regmap.chip.bank import Bank
from regmap.chip.model import Chain, Chip, Header
from regmap.errors import CallError, FrameError
from regmap.frames.chain import pack, pack_reply, unpack_reply
from regmap.frames.codec import Codec
from regmap.maps.load import load_map, read_map
from regmap.trace.frames.decoded import Judge
from regmap.trace.frames.pairs import Pair
from regmap.twin import Twin

TRAITS = load_map(Path(__file__).with_name("traits.yaml"))


def load(text: str) -> Chip:
    chip, problems = read_map("small.yaml", text="gateword_map: 1\nchip: {name: small}\n" + text)
    assert chip is not None, "\n".join(map(str, problems))
    return chip


def bench(chip: Chip) -> Any:
    place = Path(__file__).parents[1] / "link" / "bench.py"
    spec = importlib.util.spec_from_file_location("bench_of_link", place)
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.Bench(chip)


def test_no_frame_is_made_that_reaches_another_register() -> None:
    codec = Codec(TRAITS)
    with pytest.raises(CallError, match="cannot write REPORT: a write there reaches ORDER"):
        codec.write(TRAITS.registers["REPORT"], 1)
    with pytest.raises(CallError, match="cannot read ORDER: a read there reaches REPORT"):
        codec.read(TRAITS.registers["ORDER"])


LENGTHS = load("""
spi: {mode: 1}
frames:
  word:
    length: 8
    command: {op: {bits: 7..6, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 5..4, holds: address}, data: {bits: 3..0, holds: data}}
    reply: {after: 1, parts: {mark: {bits: 7..4, holds: fixed, value: 9}, data: {bits: 3..0, holds: data}}}
  long:
    length: 16
    command: {op: {bits: 15..14, holds: operation, codes: {read: 3, write: 2}}, data: {bits: 13..2, holds: data}, end: {bits: 1..0, holds: fixed, value: 2}}
    reply: {after: 1, parts: {mark: {bits: 15..12, holds: fixed, value: 6}, data: {bits: 11..0, holds: data}}}
registers:
  A: {address: 1, fields: {ALL: {bits: 3..0, reset: 0x5}}}
  WIDE: {frame: long, fields: {ALL: {bits: 11..0, reset: 0xABC}}}
""")


def test_an_answer_that_a_shorter_frame_cuts_off_tells_nothing() -> None:
    """WIDE answers 0x6ABC; in the eight clocks of a read of A only 0x6A passes, which is no answer of eight bits."""
    codec, twin = Codec(LENGTHS), Twin(LENGTHS)
    wide, short = codec.read(LENGTHS.registers["WIDE"]), codec.read(LENGTHS.registers["A"])
    assert (wide.word, short.word) == (0xC002, 0x50)
    assert twin.transfer([(0xC002, 16), (0x50, 8), (0xC002, 16), (0xC002, 16)]) == [
        0x6000, 0x6A, 0x9500, 0x6ABC,
    ]  # fmt: skip
    with pytest.raises(FrameError, match="the reply of 16 bits is cut off by a frame of 8"):
        codec.decode_reply(0x6A, wide, short.frame)
    # the answer to A comes first in the longer frame, and zeros follow it
    assert codec.decode_reply(0x9500, short, wide.frame).data == 5
    judge = Judge(LENGTHS)
    for sent, reply, bits, data in ((wide, 0x6A, 8, None), (short, 0x9500, 16, 5)):
        pair = Pair(
            word=sent.word, unknown=0, bits=sent.bits, flags=0, replies=((1, reply, 0, bits),)
        )
        seen = judge.decode(pair, Bank(LENGTHS))
        assert seen.reply_trouble == ""
        assert (seen.believed.data if seen.believed else None) == data


COUNTED = load("""
spi: {mode: 1}
frames:
  word:
    length: 16
    command: {op: {bits: 15, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 14..12, holds: address}, data: {bits: 11..4, holds: data}, count: {bits: 3..2, holds: counter}, end: {bits: 1..0, holds: fixed, value: 1}}
    reply: {after: 1, parts: {mark: {bits: 15..8, holds: fixed, value: 0x5A}, data: {bits: 7..0, holds: data}}}
  safe:
    length: 24
    when: A.SAFE == 1
    command: {op: {bits: 23, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 22..20, holds: address}, data: {bits: 19..12, holds: data}, count: {bits: 11..10, holds: counter}, end: {bits: 9..0, holds: fixed, value: 3}}
    reply: {after: 1, parts: {mark: {bits: 23..8, holds: fixed, value: 0x5AA5}, data: {bits: 7..0, holds: data}}}
registers:
  A: {address: 1, width: 8, fields: {SAFE: {bits: 0}, REST: {bits: 7..1}}}
""")


def test_a_counter_of_one_name_counts_on_through_the_layouts() -> None:
    twin = Twin(COUNTED)
    frames = [p.sent for p in plan(COUNTED, ["A = 2", "A = 3", "A = 5", "A = 4", "A = 6"])]
    assert [(s.bits, s.parts["count"]) for s in frames] == [
        (16, 0), (16, 1), (24, 2), (24, 3), (16, 0),
    ]  # fmt: skip
    for sent in frames:
        twin.transfer([(sent.word, sent.bits)])
    assert [e.text for e in twin.events if e.kind == "rejected"] == []
    assert twin.word("A") == 6


PAGED = load("""
spi: {mode: 1}
frames:
  word: {length: 16, command: {op: {bits: 15, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 14..12, holds: address}, data: {bits: 11..0, holds: data}}, reply: {after: 1, parts: {data: {bits: 15..0, holds: data}}}}
registers:
  PAGE: {address: 0, width: 4, fields: {NUMBER: {bits: 1..0}, REST: {bits: 3..2}}}
  A: {address: 1, page: 0, width: 8, fields: {ALL: {bits: 7..0}}}
  B: {address: 1, page: 1, width: 8, fields: {ALL: {bits: 7..0}}}
page_select: PAGE.NUMBER
""")


def test_a_write_on_a_page_that_nobody_knows_leaves_unknown_what_it_may_have_changed() -> None:
    bank = Bank(PAGED)
    bank.learn("A", 0x33)
    bank.learn("B", 0x34)
    machine = Machine(PAGED, bank)
    machine.apply(Codec(PAGED).decode_command(0x1033, bank))
    assert (bank.known["A"], bank.known["B"]) == (0xFF, 0xF8)  # A holds 0x33 in any case, B perhaps


def test_replies_of_a_chain_whose_headers_do_not_come_back_begin_with_the_first_clock() -> None:
    chain = Chain(headers=(Header(length=8, value=0x80),), reply_headers="none")
    words = [(0x1234, 16), (0x5678, 16)]
    assert pack(chain, words) == (0x80_5678_1234, 40)
    assert pack_reply(chain, words) == (0x5678_1234_00, 40)
    assert unpack_reply(chain, (0x5678_1234_00, 40), [16, 16]) == [0x1234, 0x5678]


def test_the_link_expects_what_a_written_code_does_beside() -> None:
    """CONTROL.RESET puts CONTROL back to 0x20 too: 0x41 is not what a read shows after it was written."""
    b = bench(TRAITS)
    assert b.link.write("GATE", 0x99).result == "verified"
    written = b.link.write("CONTROL", 0x41)
    assert (written.result, written.holds) == ("verified", 0x20)
    assert b.twin.word("GATE") == 0x11
    assert b.link.known.word("GATE") is None


ASIDE = load("""
spi: {mode: 1}
frames:
  word:
    length: 16
    command: {op: {bits: 15, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 14..12, holds: address}, data: {bits: 11..4, holds: data}, end: {bits: 3..0, holds: fixed, value: 5}}
    reply: {after: 1, parts: {mark: {bits: 15..12, holds: fixed, value: 0xA}, data: {bits: 11..4, holds: data}, turn: {bits: 3..2, holds: counter, start: 1}, end: {bits: 1..0, holds: fixed, value: 2}}}
registers:
  SHOWN:  {address: 1, access: ro, reset: 0x3C, fields: {V: {bits: 7..0}}}
  HIDDEN: {address: 2, access: wo, reads_as: SHOWN, fields: {V: {bits: 7..0}}}
  ZERO:   {address: 3, access: wo, reads_as: zero, reset: 0x55, fields: {V: {bits: 7..0}}}
  KEPT:   {address: 4, reset: 0xA1, reserved: {7..6: keep, 5..4: 2}, fields: {V: {bits: 3..0}}}
""")


def test_reads_that_show_something_else_bits_to_keep_and_a_counter_in_replies() -> None:
    """0 010 01110111 0101; 1 010 0...; 1 011 0...; 0 100 10 10 0110 0101, whose upper bits are kept and stated."""
    asked = plan(ASIDE, ["HIDDEN = 0x77", "read:HIDDEN", "read:ZERO", "KEPT.V = 6"])
    assert [p.sent.word for p in asked] == [0x2775, 0xA005, 0xB005, 0x4A65]
    twin = Twin(ASIDE)
    # 1010 00111100 with the third count after 1, 2: 11 10; then zero, and the count goes round
    assert [twin.exchange(p.sent.word) for p in asked][2:] == [0xA3CE, 0xA002]
    assert (twin.word("HIDDEN"), twin.word("ZERO"), twin.word("KEPT")) == (0x77, 0x55, 0xA6)
    codec = Codec(ASIDE)
    seen = codec.decode_command(0x4A65)
    assert (seen.register, seen.kind, seen.data) == (ASIDE.registers["KEPT"], "write", 0xA6)
    assert codec.decode_reply(0xA3CE, asked[1].sent).data == 0x3C
