"""Every construct of a frame, in both directions: what is encoded, and what is made of it again."""

from __future__ import annotations

import pytest

from regmap.behaviour.machine import Machine
from regmap.behaviour.plan import plan
from regmap.chip.bank import Bank
from regmap.chip.bits import extract
from regmap.chip.guard import Crc, Parity
from regmap.chip.model import Chip
from regmap.errors import CallError, FrameError
from regmap.frames.codec import (
    Codec,
    build,
    bursts,
    counter_flaws,
    from_wire,
    inspect,
    join_bursts,
    next_counters,
    readdress,
    wire_bytes,
)
from regmap.frames.structs import build_parts, parse_parts
from regmap.maps.load import load_map, read_map

SMALL = """
gateword_map: 1
chip: {{name: small}}
spi: {{mode: 0{spi}}}
frames:
  word:
    length: {length}
    command:
{command}
    reply:
      after: {after}
      parts:
{reply}
registers:
  A: {{address: 0, fields: {{ALL: {{bits: 3..0}}}}}}
  B: {{address: 2, fields: {{ALL: {{bits: 3..0}}}}}}
"""


def small(command: str, reply: str = "", *, length: int = 8, after: int = 0, spi: str = "") -> Chip:
    """A chip of one frame and two registers of four bits at 0 and 2; one part a line."""

    def parts(text: str, indent: int) -> str:
        return "\n".join(" " * indent + line.strip() for line in text.strip().splitlines())

    reply = reply or f"all: {{bits: {length - 1}..0, holds: data}}"
    text = SMALL.format(
        length=length, after=after, spi=spi, command=parts(command, 6), reply=parts(reply, 8)
    )
    chip, problems = read_map("small.yaml", text=text)
    assert chip is not None, "\n".join(map(str, problems))
    return chip


def sent(chip: Chip, request: str) -> int:
    (planned,) = plan(chip, [request])
    return planned.sent.word


# --- bit order, select, fixed bits ------------------------------------------------------------------
PLAIN = """
    op: {bits: 7, holds: operation, codes: {read: 1, write: 0}}
    address: {bits: 6..5, holds: address}
    mark: {bits: 4, holds: fixed, value: 1}
    data: {bits: 3..0, holds: data}
"""


def test_least_significant_bit_first() -> None:
    first = small(PLAIN, spi=", bit_order: lsb_first")
    assert not first.spi.msb_first
    word = sent(first, "B = 0x1")
    assert word == 0b0101_0001
    frame = first.default_frame()
    assert bursts(frame, word) == [(0b0101_0001, 8)]
    # on the wire bit 0 leads, so a controller that sends its top bit first is handed it mirrored
    assert wire_bytes(word, 8, msb_first=False) == bytes([0b1000_1010])
    assert from_wire(bytes([0b1000_1010]), 8, msb_first=False) == word
    parts = {"op": 0, "address": 2, "mark": 1, "data": 1}
    assert build_parts(first, frame, frame.command, parts) == bytes([0b1000_1010])
    assert parse_parts(first, frame, frame.command, bytes([0b1000_1010])) == parts


def test_most_significant_bit_first() -> None:
    chip = small(PLAIN)
    assert wire_bytes(sent(chip, "B = 0x1"), 8) == bytes([0b0101_0001])


def test_select_of_either_polarity() -> None:
    assert small(PLAIN).spi.select_active_low
    assert not small(PLAIN, spi=", select: active_high").spi.select_active_low
    assert not load_map("potoroo40").spi.select_active_low


def test_fixed_bits_are_sent_and_checked() -> None:
    chip = small(PLAIN)
    assert sent(chip, "read:A") == 0b1001_0000
    (flaw,) = Codec(chip).decode_command(0b1000_0000).flaws
    assert (flaw.kind, flaw.part) == ("fixed", "mark")


@pytest.mark.parametrize(("read", "write"), [(0, 1), (1, 0)])
def test_read_flag_of_either_polarity(read: int, write: int) -> None:
    chip = small(PLAIN.replace("{read: 1, write: 0}", f"{{read: {read}, write: {write}}}"))
    codec = Codec(chip)
    assert sent(chip, "read:A") >> 7 == read
    assert sent(chip, "A = 3") >> 7 == write
    assert codec.decode_command(sent(chip, "read:A")).kind == "read"
    assert codec.decode_command(sent(chip, "A = 3")).kind == "write"


def test_an_address_whose_bits_are_not_adjacent() -> None:
    chip = small(
        """
        op: {bits: 6, holds: operation, codes: {read: 1, write: 0}}
        address: {bits: [7, 0], holds: address}
        mark: {bits: 5, holds: fixed, value: 0}
        data: {bits: 4..1, holds: data}
        """
    )
    assert sent(chip, "B = 0xF") == 0b1001_1110
    seen = Codec(chip).decode_command(0b1001_1110)
    assert (seen.register, seen.address, seen.data) == (chip.registers["B"], 2, 0xF)
    # the upper bit of the address is the one named first
    assert extract(0b1000_0000, (7, 0)) == 2


# --- commands ---------------------------------------------------------------------------------------
def test_commands_that_are_no_registers() -> None:
    chip = load_map("numbat24")
    codec = Codec(chip)
    (clear,) = plan(chip, ["CLEAR_ALL"])
    assert clear.sent.kind == "CLEAR_ALL"
    seen = codec.decode_command(clear.sent.word)
    assert (seen.kind, seen.command, seen.register) == (
        "CLEAR_ALL",
        chip.commands["CLEAR_ALL"],
        None,
    )
    # the same operation with parts that no command has is told as such
    odd = codec.decode_command(0xC0001D)
    assert odd.kind == "command"
    assert any("no command of the map" in f.text for f in odd.flaws)


def test_a_command_that_takes_data() -> None:
    chip = load_map("potoroo40")
    (nap,) = plan(chip, ["NAP = 1000"])
    seen = Codec(chip).decode_command(nap.sent.word)
    assert (seen.kind, seen.data) == ("NAP", 1000)
    with pytest.raises(CallError, match="takes no data"):
        plan(chip, ["CLEAR = 1"])


# --- chip address -----------------------------------------------------------------------------------
def test_the_chip_address() -> None:
    chip = load_map("bilby32")
    other = readdress(chip, 3)
    for each, address in ((chip, 1), (other, 3)):
        (read,) = plan(each, ["read:TEMP"])
        assert extract(read.sent.word, (30, 29)) == address
        assert Codec(each).decode_command(read.sent.word).flaws == ()
    (read,) = plan(other, ["read:TEMP"])
    flaws = Codec(chip).decode_command(read.sent.word).flaws
    assert [(f.kind, f.part) for f in flaws] == [("fixed", "chip")]
    with pytest.raises(CallError, match="chip address 4 does not fit"):
        readdress(chip, 4)
    with pytest.raises(CallError, match="no chip address"):
        readdress(load_map("quoll16"), 1)


# --- guards -----------------------------------------------------------------------------------------
def test_three_overlapping_parity_bits() -> None:
    """P2 = b7^b6^b5, P1 = b6^b5^b4, P0 = b5^b4^b3: 1 0 0 1 1 gives the byte 9E.

    Texas Instruments SLVSI23A, as gathered for these tests (derived, not printed there).
    """
    chip = _parity_chip()
    codec = Codec(chip)
    frame = chip.default_frame()
    word = build(frame.command, {"op": 1, "address": 0b00, "data": 0b11})
    assert word == 0x9E
    assert inspect(frame.command, 0x9E) == []
    for bit in range(8):
        assert codec.decode_command(0x9E ^ 1 << bit).flaws


def _parity_chip() -> Chip:
    text = """
gateword_map: 1
chip: {name: small}
spi: {mode: 0}
frames:
  word:
    length: 8
    command:
      op: {bits: 7, holds: operation, codes: {read: 1, write: 0}}
      address: {bits: 6..5, holds: address}
      data: {bits: 4..3, holds: data}
      p2: {bits: 2, holds: parity, parity: even, over: 7..5}
      p1: {bits: 1, holds: parity, parity: even, over: 6..4}
      p0: {bits: 0, holds: parity, parity: even, over: 5..3}
registers:
  A: {address: 0, fields: {ALL: {bits: 1..0}}}
"""
    chip, problems = read_map("small.yaml", text=text)
    assert chip is not None, problems
    return chip


@pytest.mark.parametrize("kind", ["odd", "even"])
def test_parity_over_named_bits(kind: str) -> None:
    chip = small(
        f"""
        op: {{bits: 7, holds: operation, codes: {{read: 1, write: 0}}}}
        address: {{bits: 6..5, holds: address}}
        p: {{bits: 4, holds: parity, parity: {kind}, over: [7..5, 1]}}
        data: {{bits: 3..0, holds: data}}
        """
    )
    for data in range(16):
        word = sent(chip, f"B = {data:#x}")
        ones = sum(word >> b & 1 for b in (7, 6, 5, 4, 1))
        assert ones % 2 == (kind == "odd")
        assert Codec(chip).decode_command(word).flaws == ()
        assert Codec(chip).decode_command(word ^ 0b10).flaws
        # a bit that the guard does not cover passes
        assert Codec(chip).decode_command(word ^ 0b100).flaws == ()


@pytest.mark.parametrize("at", ["23..16", "15..8", "7..0", "[20..17, 9..6]"])
@pytest.mark.parametrize("extra", [
    "", ", init: 0xA5", ", xor: 0x3C", ", reflect_in: yes", ", reflect_out: yes",
    ", reflect_in: yes, reflect_out: yes, init: 0x31", ", flush: 8, init: 0xFF", ", prefix: 0b0000_1101",
])  # fmt: skip
def test_a_checksum_anywhere(at: str, extra: str) -> None:
    from regmap.document.schema import BitsShape, Reader
    from regmap.document.source import Sources, compose

    bits = BitsShape().read(compose("x", at).node, Reader(Sources()), "")
    rest = [b for b in range(23, -1, -1) if b not in bits]
    command = f"""
        op: {{bits: {rest[0]}, holds: operation, codes: {{read: 1, write: 0}}}}
        address: {{bits: {rest[1:5]}, holds: address}}
        data: {{bits: {rest[5:]}, holds: data}}
        crc: {{bits: {at}, holds: crc, polynomial: 0x2F{extra}, over: {rest}}}
    """
    chip = small(command, "all: {bits: 23..0, holds: data}", length=24)
    keys = dict(piece.strip().split(": ") for piece in extra.split(",") if piece.strip())
    crc = Crc(
        8, 0x2F,
        init=int(keys.get("init", "0"), 0),
        reflect_in="reflect_in" in keys,
        reflect_out="reflect_out" in keys,
        xor_out=int(keys.get("xor", "0"), 0),
        flush=int(keys.get("flush", "0"), 0),
    )  # fmt: skip
    prefix = [0, 0, 0, 0, 1, 1, 0, 1] if "prefix" in keys else []
    codec = Codec(chip)
    for data in (0, 1, 0x5A5, 0x7FF):
        word = codec.write(chip.registers["B"], data & 0xF).word
        fed = prefix + [word >> b & 1 for b in rest]
        # the bit-by-bit reference of the guards, not the path that the codec takes
        assert extract(word, bits) == crc.over_bits(fed)
        assert codec.decode_command(word).flaws == ()
        for bit in range(24):
            assert codec.decode_command(word ^ 1 << bit).flaws


def test_where_the_checksums_of_the_shipped_chips_stand() -> None:
    places = {"numbat24": (7, 0), "bilby32": (21, 14), "potoroo40": (7, 0)}
    for name, (high, low) in places.items():
        part = load_map(name).default_frame().command.of_kind("crc")
        assert part is not None
        assert (part.bits[0], part.bits[-1]) == (high, low)
    part = load_map("wombat24").frames["safe"].command.of_kind("crc")
    assert part is not None
    assert part.bits == tuple(range(31, 23, -1))


def test_a_guard_over_another_guard_is_filled_after_it() -> None:
    chip = load_map("potoroo40")
    word = plan(chip, ["DEAD.TIME = 500 ns"])[-1].sent.word
    odd = Parity(even=False)
    assert odd.over_bits(word >> b & 1 for b in (39, 37, 36, 34, 32, 30, 29, 28)) == word >> 24 & 1
    assert Codec(chip).decode_command(word).flaws == ()


# --- counters, status, echo -------------------------------------------------------------------------
def test_a_toggle_and_a_rolling_counter() -> None:
    chip = load_map("bilby32")
    words = [p.sent for p in plan(chip, ["read:FLAGS", "read:TEMP", "read:ID"])]
    assert [s.parts["toggle"] for s in words] == [1, 0, 1]
    layout = words[0].frame.command
    assert counter_flaws(layout, words[0].parts, words[1].parts) == []
    (flaw,) = counter_flaws(layout, words[0].parts, words[2].parts)
    assert (flaw.kind, flaw.part) == ("counter", "toggle")

    wombat = load_map("wombat24")
    bank = Bank.at_reset(wombat)
    bank.learn("SAFETY", 1)
    frames = [p.sent for p in plan(wombat, ["read:GATE"] * 6, bank)]
    assert [s.parts["counter"] for s in frames] == [1, 2, 3, 0, 1, 2]
    assert [s.word >> 16 & 3 for s in frames] == [1, 2, 3, 0, 1, 2]
    assert next_counters(frames[0].frame.command, {"counter": 3}) == {"counter": 0}


def test_status_bits_active_high_and_low() -> None:
    chip = load_map("numbat24")
    codec = Codec(chip)
    read = codec.read(chip.registers["STATUS"])
    for raised in (False, True):
        word = codec.build_reply(read, 0, {"fault": raised, "asleep": raised})
        assert word >> 23 & 1 == raised
        assert word >> 17 & 1 == (not raised)
        answer = codec.decode_reply(word, read)
        assert answer.status["fault"] is raised
        assert answer.status["asleep"] is raised
        assert answer.flaws == ()


def test_echo_of_address_and_data() -> None:
    chip = load_map("bilby32")
    codec = Codec(chip)
    write = codec.write(chip.registers["LIMIT"], 0x5A)
    reply = codec.build_reply(write)
    answer = codec.decode_reply(reply, write)
    assert (answer.parts["address"], answer.parts["data"], answer.flaws) == (0x9, 0x5A, ())
    other = codec.write(chip.registers["LIMIT"], 0x5B)
    assert [(f.kind, f.part) for f in codec.decode_reply(reply, other).flaws] == [("echo", "data")]


@pytest.mark.parametrize(
    ("name", "what"), [("quoll16", "old"), ("wombat24", "new"), ("numbat24", "old")]
)
def test_what_the_answer_to_a_write_carries(name: str, what: str) -> None:
    layout = load_map(name).default_frame().reply_to("write")
    assert layout is not None
    part = layout.of_kind("data")
    assert part is not None
    assert part.on_write == what


@pytest.mark.parametrize(("name", "after"), [("quoll16", 0), ("numbat24", 1), ("bilby32", 2)])
def test_when_the_answer_comes(name: str, after: int) -> None:
    assert load_map(name).default_frame().after == after


def test_answers_that_differ_by_what_was_asked() -> None:
    chip = load_map("bilby32")
    codec = Codec(chip)
    read, write = codec.read(chip.registers["SENTRY"]), codec.write(chip.registers["SENTRY"], 1)
    assert codec.reply_layout(read) is not codec.reply_layout(write)
    assert codec.decode_reply(codec.build_reply(read, 7), read).data == 7
    assert codec.decode_reply(codec.build_reply(read, 7), write).flaws  # the mark tells them apart


# --- layouts that change ----------------------------------------------------------------------------
def test_a_layout_that_depends_on_a_field() -> None:
    chip = load_map("wombat24")
    frames = plan(chip, ["VDS.THRESHOLD = 300 mV", "SAFETY.CRC = on", "VDS.THRESHOLD = 600 mV"])
    assert [p.sent.frame.name for p in frames] == ["plain", "plain", "safe"]
    assert [p.sent.bits for p in frames] == [24, 24, 32]
    codec = Codec(chip)
    machine = Machine(chip)
    for planned in frames:
        seen = codec.decode_command(planned.sent.word, machine.bank)
        assert (seen.frame, seen.register, seen.flaws) == (
            planned.sent.frame,
            planned.sent.register,
            (),
        )
        machine.apply(seen)
    # the answer to the write that switched it on travels in a frame that is already longer
    switch, longer = frames[1].sent, frames[2].sent
    word = codec.build_reply(switch, 1, within=longer.frame)
    assert word >> 24
    answer = codec.decode_reply(word, switch, within=longer.frame)
    assert (answer.data, answer.flaws) == (1, ())


def test_a_layout_that_depends_on_an_earlier_command() -> None:
    chip = load_map("wombat24")
    frames = plan(chip, ["DIAG_ON", "read:JUNCTION", "DIAG_OFF", "read:FAULT"])
    assert [p.sent.frame.name for p in frames] == ["plain", "diag", "diag", "plain"]
    codec = Codec(chip)
    machine = Machine(chip)
    for planned in frames:
        seen = codec.decode_command(planned.sent.word, machine.bank)
        assert (seen.frame.name, seen.kind, seen.flaws) == (
            planned.sent.frame.name,
            planned.sent.kind,
            (),
        )
        machine.apply(seen)
    assert machine.bank.state("diagnosing") is False


def test_frames_of_different_length_are_told_apart_by_their_clocks() -> None:
    text = """
gateword_map: 1
chip: {name: two}
spi: {mode: 0}
frames:
  short:
    length: 8
    command: {op: {bits: 7, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 6..4, holds: address}, data: {bits: 3..0, holds: data}}
  long:
    length: 16
    command: {op: {bits: 15, holds: operation, codes: {read: 1, write: 0}}, address: {bits: 14..12, holds: address}, data: {bits: 11..0, holds: data}}
registers:
  A: {address: 1, fields: {ALL: {bits: 3..0}}}
  B: {address: 2, frame: long, fields: {ALL: {bits: 11..0}}}
"""
    chip, problems = read_map("two.yaml", text=text)
    assert chip is not None, problems
    codec = Codec(chip)
    a, b = codec.write(chip.registers["A"], 5), codec.write(chip.registers["B"], 0x234)
    assert (a.bits, b.bits) == (8, 16)
    assert codec.decode_command(a.word, bits=8).register is chip.registers["A"]
    seen = codec.decode_command(b.word, bits=16)
    assert (seen.register, seen.data) == (chip.registers["B"], 0x234)


# --- bursts, select flag ----------------------------------------------------------------------------
def test_a_command_in_two_bursts() -> None:
    chip = load_map("potoroo40")
    frame = chip.default_frame()
    (read,) = plan(chip, ["read:PAGE"])
    pieces = bursts(frame, read.sent.word)
    assert [n for _, n in pieces] == [16, 24]
    assert join_bursts(pieces) == read.sent.word
    sent_bytes = [wire_bytes(v, n, msb_first=chip.spi.msb_first) for v, n in pieces]
    assert [len(b) for b in sent_bytes] == [2, 3]
    parts = parse_parts(chip, frame, frame.command, b"".join(sent_bytes))
    assert parts == dict(read.sent.parts)
    assert build_parts(chip, frame, frame.command, parts) == b"".join(sent_bytes)
    with pytest.raises(FrameError, match="4 bytes for a frame of 5"):
        parse_parts(chip, frame, frame.command, b"1234")


def test_bits_valid_between_select_and_the_first_clock() -> None:
    spi = load_map("potoroo40").spi
    assert (spi.select_flag, spi.select_flag_active) == ("ANY", 0)
    assert load_map("numbat24").spi.select_flag_active == 1
    assert load_map("quoll16").spi.select_flag == ""


def test_a_word_too_wide_is_refused() -> None:
    codec = Codec(load_map("quoll16"))
    with pytest.raises(FrameError, match="does not fit a frame of 16 bits"):
        codec.decode_command(1 << 16)
    with pytest.raises(CallError, match="does not fit the 10 bits of VDS"):
        codec.write(codec.chip.registers["VDS"], 1 << 10)
