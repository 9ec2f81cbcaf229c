"""One recogniser: which layout, whose word, or why not; told alike by decode, twin, capture and arrays."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regmap.chip.bank import Bank
from regmap.chip.model import Chip
from regmap.errors import CallError
from regmap.frames import bulk
from regmap.frames.codec import Codec, bursts
from regmap.frames.recogniser import Recogniser
from regmap.maps.load import load_map, read_map
from regmap.twin import Twin


def load(text: str) -> Chip:
    chip, problems = read_map("small.yaml", text="gateword_map: 1\nchip: {name: small}\n" + text)
    assert chip is not None, "\n".join(map(str, problems))
    return chip


#: `plain` carries every register but B, whose own layout has a parity bit where plain has data
OWN = load("""
spi: {mode: 0}
frames:
  plain:
    length: 16
    command:
      op:      {bits: 15, holds: operation, codes: {read: 1, write: 0}}
      address: {bits: 14..12, holds: address}
      data:    {bits: 11..0, holds: data}
    reply: {after: 1, parts: {all: {bits: 15..12, holds: ignored}, data: {bits: 11..0, holds: data}}}
  safe:
    length: 16
    command:
      op:      {bits: 15, holds: operation, codes: {read: 1, write: 0}}
      address: {bits: 14..12, holds: address}
      data:    {bits: 11..1, holds: data}
      parity:  {bits: 0, holds: parity, parity: odd}
    reply: {after: 1, parts: {all: {bits: 15..11, holds: ignored}, data: {bits: 10..0, holds: data}}}
registers:
  A: {address: 1, fields: {ALL: {bits: 11..0}}}
  B: {address: 2, width: 8, frame: safe, fields: {ALL: {bits: 7..0}}}
""")


# --- belonging comes before the number of flaws ------------------------------------------------------
def test_a_bad_frame_of_a_register_is_no_good_frame_of_another_layout() -> None:
    codec = Codec(OWN)
    good = codec.write(OWN.registers["B"], 0x5A)
    # 0 010 000 0101 1010 p: five ones, so odd parity adds none
    assert good.word == 0b0_010_000_0101_1010_0 | (
        0 if bin(0b0_010_0000101_1010).count("1") % 2 else 1
    )
    assert codec.decode_command(good.word).flaws == ()
    for bit in range(9):
        seen = codec.decode_command(good.word ^ 1 << bit)
        assert (seen.frame.name, seen.register) == ("safe", OWN.registers["B"])
        assert [f.kind for f in seen.flaws] == ["check_bits"]


def test_the_simulated_chip_and_the_recogniser_reject_the_same() -> None:
    codec = Codec(OWN)
    word = codec.write(OWN.registers["B"], 0x5A).word
    for flip in (0, *(1 << b for b in range(16))):
        twin = Twin(OWN)
        twin.exchange(word ^ flip)
        seen = codec.decode_command(word ^ flip)
        rejected = [e for e in twin.events if e.kind == "rejected"]
        assert bool(rejected) == bool(seen.flaws), f"{word ^ flip:04X}"
        assert twin.word("B") == (0 if flip else 0x5A)


def test_a_register_of_another_layout_is_said_to_be_that() -> None:
    seen = Codec(OWN).decode_command(0b1_010_000000000000, frame=OWN.frames["plain"])
    (flaw,) = seen.flaws
    assert flaw.kind == "frame"
    assert flaw.text == "B travels in frame 'safe', and this is 'plain'"


# --- a layout whose condition does not hold ----------------------------------------------------------
def test_what_travels_in_a_layout_that_is_not_in_force_is_not_sent_in_another() -> None:
    chip = load_map("wombat24")
    codec = Codec(chip)
    with pytest.raises(
        CallError,
        match=r"JUNCTION travels in frame 'diag' \(while diagnosing\), which is not in force",
    ):
        codec.read(chip.registers["JUNCTION"])
    bank = Bank.at_reset(chip)
    bank.states["diagnosing"] = True
    assert codec.read(chip.registers["JUNCTION"], bank).word == 0xC0C001
    # where nobody knows, it may be
    assert codec.read(chip.registers["JUNCTION"], Bank(chip)).frame.name == "diag"


# --- layouts without an address ----------------------------------------------------------------------
NO_ADDRESS = load("""
spi: {mode: 0}
frames:
  word:
    length: 16
    command:
      op:   {bits: 15..14, holds: operation, codes: {read: 0b01, write: 0b10}}
      mark: {bits: 13..12, holds: fixed, value: 0b11}
      data: {bits: 11..0, holds: data}
    reply: {after: 1, parts: {mark: {bits: 15..12, holds: fixed, value: 0b1010}, data: {bits: 11..0, holds: data}}}
registers:
  ONLY: {address: 0, fields: {ALL: {bits: 11..0}}}
""")


def test_the_only_register_of_a_layout_without_address() -> None:
    codec = Codec(NO_ADDRESS)
    only = NO_ADDRESS.registers["ONLY"]
    assert codec.read(only).word == 0x7000
    assert codec.write(only, 0x5A5).word == 0xB5A5
    for word, kind in ((0x7000, "read"), (0xB5A5, "write")):
        seen = codec.decode_command(word)
        assert (seen.kind, seen.register, seen.address, seen.flaws) == (kind, only, None, ())
    twin = Twin(NO_ADDRESS)
    twin.exchange(0xB5A5)
    twin.exchange(0x7000)
    assert twin.exchange(0x7000) == 0xA5A5
    assert [e.text for e in twin.events if e.kind in ("rejected", "refused")] == []
    seen = bulk.BulkCodec(NO_ADDRESS).recognise(np.array([0x7000, 0xB5A5, 0x3000], np.uint64))
    assert seen.kind.tolist() == [bulk.READ, bulk.WRITE, bulk.UNKNOWN]
    assert seen.register.tolist() == [0, 0, -1]
    assert seen.flaws.tolist() == [0, 0, 1]


# --- the first burst decides the length --------------------------------------------------------------
#: Short frames of one burst read; long ones of two write. The code of both is the same.
FAMILY = load("""
spi: {mode: 0}
frames:
  short:
    length: 8
    command:
      op:      {bits: 7, holds: operation, codes: {read: 1, write: 0}}
      address: {bits: 6..4, holds: address}
      data:    {bits: 3..1, holds: data}
      parity:  {bits: 0, holds: parity, parity: even}
    reply: {after: 0, parts: {flag: {bits: 7..3, holds: ignored}, data: {bits: 2..0, holds: data}}}
  long:
    length: 24
    bursts: [8, 16]
    command:
      op:      {bits: 23, holds: operation, codes: {read: 1, write: 0}}
      address: {bits: 22..20, holds: address}
      filler:  {bits: 19..17, holds: ignored}
      parity:  {bits: 16, holds: parity, parity: even, over: 23..17}
      data:    {bits: 15..0, holds: data}
    reply: {after: 0, parts: {flag: {bits: 23..16, holds: ignored}, data: {bits: 15..0, holds: data}}}
  wide:
    length: 16
    command:
      op:      {bits: 15, holds: operation, codes: {read: 1, write: 0}}
      address: {bits: 14..12, holds: address}
      data:    {bits: 11..1, holds: data}
      parity:  {bits: 0, holds: parity, parity: even}
    reply: {after: 0, parts: {flag: {bits: 15..11, holds: ignored}, data: {bits: 10..0, holds: data}}}
registers:
  A: {address: 1, fields: {ALL: {bits: 2..0}}}
  B: {address: 2, frame: long, fields: {ALL: {bits: 15..0}}}
  C: {address: 3, frame: wide, fields: {ALL: {bits: 10..0}}}
""")


def test_the_first_burst_decides_which_layout_follows() -> None:
    seen = Recogniser(FAMILY)
    # 0 001 101 1 writes 5 to A; 0 010 000 1 begins a write of B
    assert [f.name for f in seen.begins([(0b0_001_101_1, 8)])] == ["short", "long"]
    assert [f.name for f in seen.begins([(0b0_010_000_1, 8)])] == ["long", "short"]
    assert seen.begins([(0, 12)]) == []
    so_far = seen.so_far([(0b0_010_000_1, 8)], FAMILY.frames["long"])
    assert (so_far.kind, so_far.register, so_far.data, so_far.flaws) == (
        "write",
        FAMILY.registers["B"],
        None,
        (),
    )


def test_a_simulated_chip_waits_for_the_second_burst_of_a_long_frame_only() -> None:
    twin = Twin(FAMILY)
    twin.transfer([(0b0_001_101_1, 8)])
    assert twin.word("A") == 5
    twin.transfer([(0b0_010_000_1, 8), (0xBEEF, 16)])
    assert twin.word("B") == 0xBEEF
    twin.transfer([(0b0_001_110_1, 8)])
    assert twin.word("A") == 6
    assert twin.transfer([(0b1_010_000_0, 8), (0, 16)])[1] == 0xBEEF
    assert [e.text for e in twin.events if e.kind in ("rejected", "refused")] == []


# --- arrays tell the same ----------------------------------------------------------------------------
@pytest.mark.parametrize(
    "chip",
    [OWN, NO_ADDRESS, *map(load_map, ["quoll16", "numbat24", "wombat24", "bilby32", "potoroo40"])],
    ids=lambda c: c.name,
)
@settings(max_examples=40, deadline=None)
@given(data=st.data())
@pytest.mark.one_in(3)
def test_arrays_and_single_words_agree(chip: Chip, data: st.DataObject) -> None:
    one, many = Recogniser(chip), bulk.BulkCodec(chip)
    codec = Codec(chip)
    bank = Bank.at_reset(chip)
    for field in [f for r in chip.registers.values() for f in r.fields]:
        if field.role == "spi.check_bits" or field.ref == chip.page_select:
            bank.put(field, data.draw(st.integers(0, (1 << field.width) - 1)))
    for state in bank.states:
        bank.states[state] = data.draw(st.booleans())
    longest = max(f.length for f in chip.frames.values())
    words = data.draw(st.lists(st.integers(0, (1 << longest) - 1), max_size=20))
    words += [w >> (longest - f.length) for w in words for f in chip.frames.values()]
    for register in chip.registers.values():
        if one.frame_for(register, bank) is not None:
            made = codec.read(register, bank).word
            flips = data.draw(st.lists(st.integers(0, longest - 1), max_size=3))
            words += [made, *(made ^ 1 << b for b in flips)]
    seen = many.recognise(np.array(words, np.uint64), bank)
    for place, word in enumerate(words):
        found = one.readings(word, bank)
        if not found:
            assert (seen.frame[place], seen.register[place]) == (-1, -1)
            continue
        best = found[0]
        assert list(chip.frames)[seen.frame[place]] == best.frame.name
        assert seen.flaws[place] == len(best.flaws), hex(word)
        name = many.names[seen.register[place]] if seen.register[place] >= 0 else None
        assert name == (best.register.name if best.register else None)
        kind = int(seen.kind[place])
        if best.command is not None:
            assert list(chip.commands)[kind - bulk.COMMAND] == best.kind
        else:
            assert {"read": bulk.READ, "write": bulk.WRITE}.get(best.kind, bulk.UNKNOWN) == kind


def test_bursts_of_every_frame_are_recognised_from_the_first_on() -> None:
    for chip in (FAMILY, load_map("potoroo40")):
        codec, seen = Codec(chip), Recogniser(chip)
        for register in chip.registers.values():
            for sent in (codec.read(register), codec.write(register, register.mask & 5)):
                pieces = bursts(sent.frame, sent.word)
                for count in range(1, len(pieces) + 1):
                    assert seen.begins(pieces[:count])[0] is sent.frame


def test_a_capture_joins_the_bursts_that_belong_together_and_no_others() -> None:
    """A short write, a long write, a short write whose follower is as long as a second burst would be."""
    import io

    from regmap.capture.formats.opening import open_capture
    from regmap.trace.tracer import trace_capture

    out = io.StringIO()
    twin = Twin(FAMILY, vcd=out)
    for pieces in (
        [(0b0_001_101_1, 8)],
        [(0b0_010_000_1, 8), (0xBEEF, 16)],
        [(0b0_001_110_1, 8)],
        [(0b1_010_000_0, 8), (0, 16)],
        [(0b0_001_011_1, 8)],
        [(0b0_011_10101010101_0, 16)],
    ):
        twin.transfer(pieces)
    assert [twin.word(n) for n in "ABC"] == [3, 0xBEEF, 0b10101010101]
    twin.close()
    with open_capture(io.BytesIO(out.getvalue().encode()), name="dump.vcd") as capture:
        trace = trace_capture(capture, [FAMILY])
    (walker,) = trace.walkers
    assert [walker.log.title(i) for i in walker.log.idents().tolist()] == [
        "write A", "write B", "write A", "read B", "write A", "write C",
    ]  # fmt: skip
    assert walker.belief.bank.words["B"] == 0xBEEF
    assert walker.belief.bank.words["A"] == 3


# --- replies of which nobody knows the question --------------------------------------------------------
def test_a_reply_alone_is_read_in_the_layout_that_it_fits() -> None:
    """The data sheet's example of the diagnostic layout, although the chip is believed to be in another."""
    codec = Codec(load_map("wombat24"))
    answer = codec.bare_reply(0x833EB3)
    assert answer.layout is codec.chip.frames["diag"].reply_to("read")
    assert (answer.parts["data"], answer.flaws) == (0xFAC, ())
    assert codec.bare_reply(0x550000).layout is codec.chip.frames["plain"].reply_to("read")
    # damaged, it is one of the layout in force
    assert codec.bare_reply(0x550001).layout is codec.chip.frames["plain"].reply_to("read")
    for bit in range(24):
        assert codec.bare_reply(0x833EB3 ^ 1 << bit).flaws


def test_a_write_is_answered_otherwise_than_a_read() -> None:
    codec = Codec(load_map("bilby32"))
    write = codec.write(codec.chip.registers["LIMIT"], 0x5A)
    answer = codec.bare_reply(codec.build_reply(write))
    assert answer.layout is codec.reply_layout(write)
    assert answer.flaws == ()


def test_a_setting_that_a_layout_has_no_room_for_is_not_cut_off() -> None:
    chip = load_map("wombat24")
    bank = Bank.at_reset(chip)
    bank.states["diagnosing"] = True
    with pytest.raises(CallError, match="does not fit part 'data' of 12 bits"):
        Codec(chip).write(chip.registers["GATE"], 0x4B80, bank)
