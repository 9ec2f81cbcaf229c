"""Traits of real chips that a map can say, in both directions: frames by hand to effects, requests to frames."""

from __future__ import annotations

from pathlib import Path

import pytest

from regmap.behaviour.effects import effects, said
from regmap.behaviour.machine import Machine
from regmap.behaviour.plan import plan
from regmap.behaviour.settings import bring_up_sequence
from regmap.chip.bank import Bank
from regmap.errors import CallError
from regmap.frames.codec import Codec
from regmap.maps.load import load_map
from regmap.maps.vet import check_map, prove
from regmap.twin import Twin

CHIP = load_map(Path(__file__).with_name("traits.yaml"))
CODEC = Codec(CHIP)


def frame(kind: int, address: int, data: int) -> int:
    """The word by hand: kind, address, an even number of ones, data."""
    bare = kind << 14 | address << 9 | data
    return bare | (bare.bit_count() & 1) << 8


def test_the_frames_computed_by_hand_hold() -> None:
    assert prove(CHIP) == []
    assert frame(1, 2, 0x33) == 0x4433
    assert frame(2, 9, 0) == 0x9300


def test_a_read_only_and_a_write_only_register_at_one_address() -> None:
    write, read = CODEC.decode_command(frame(1, 1, 0xAB)), CODEC.decode_command(frame(0, 1, 0))
    assert write.register is CHIP.registers["ORDER"]
    assert read.register is CHIP.registers["REPORT"]
    assert [p.sent.word for p in plan(CHIP, ["ORDER = 0xAB", "read:REPORT"])] == [
        frame(1, 1, 0xAB), frame(0, 1, 0)
    ]  # fmt: skip
    twin = Twin(CHIP)
    twin.exchange(frame(1, 1, 0xAB))
    assert (twin.word("ORDER"), twin.word("REPORT")) == (0xAB, 0x3C)
    assert twin.exchange(frame(0, 1, 0)) == 0x5A3C


def test_a_command_carries_a_register() -> None:
    sent = CODEC.decode_command(frame(2, 8, 0x55))
    assert (sent.kind, sent.data) == ("QUICK", 0x55)
    told = effects(Machine(CHIP), sent)
    assert [str(c) for c in told.changes] == ["GATE.V: 17 -> 85"]
    twin = Twin(CHIP)
    twin.exchange(frame(2, 8, 0x55))
    assert twin.word("GATE") == 0x55


def test_a_command_returns_a_register_and_clears_it() -> None:
    bank = Bank.at_reset(CHIP)
    bank.learn("STATUS", 0b11)
    sent = CODEC.decode_command(frame(2, 9, 0))
    known = said(CHIP, sent, CODEC.decode_reply(0x5A03, sent))
    assert (known.register, known.data) == (CHIP.registers["STATUS"], 3)
    told = effects(Machine(CHIP, bank), sent)
    assert [str(c) for c in told.changes] == ["STATUS.HOT: 1 -> 0", "STATUS.LOW: 1 -> 0"]
    twin = Twin(CHIP)
    twin.disturb("HOT for 1 us")
    twin.wait(1e-3)
    assert twin.exchange(frame(2, 9, 0)) == 0x5A01
    assert twin.exchange(frame(2, 9, 0)) == 0x5A00


def test_a_bit_that_resets_the_chip() -> None:
    bank = Bank.at_reset(CHIP)
    bank.learn("GATE", 0x99)
    told = effects(Machine(CHIP, bank), CODEC.decode_command(frame(1, 6, 0x61)))
    assert told.outcome.events == ("reset",)
    assert [str(c) for c in told.changes] == ["GATE.V: 153 -> 17"]  # MODE back at 1 as well
    assert bank.words["CONTROL"] == 0x20
    twin = Twin(CHIP)
    twin.exchange(frame(1, 2, 0x99))
    twin.exchange(frame(1, 6, 0x60))
    assert (twin.word("GATE"), twin.word("CONTROL")) == (0x99, 0x60)  # no reset without its bit
    twin.exchange(frame(1, 6, 0x61))
    assert (twin.word("GATE"), twin.word("CONTROL")) == (0x11, 0x20)


def test_a_code_that_does_something_else() -> None:
    bank = Bank.at_reset(CHIP)
    bank.learn("STATUS", 1)
    told = effects(Machine(CHIP, bank), CODEC.decode_command(frame(1, 6, 0x20 | 5 << 1)))
    assert [str(c) for c in told.changes] == ["GATE.V: 17 -> 119", "STATUS.HOT: 1 -> 0"]
    other = effects(Machine(CHIP), CODEC.decode_command(frame(1, 6, 0x20 | 4 << 1)))
    assert not other.changes


@pytest.mark.parametrize(
    ("status", "more", "known", "flag"),
    [
        (0b01, 0, True, 1), (0b10, 0, True, 1), (0, 0b01, True, 1),
        (0, 0b10, True, 0),  # SHORT is not among them
        (0, 0, True, 0),
        (0, 0, False, None),  # nobody knows MORE
        (1, 0, False, 1),
    ],
)  # fmt: skip
def test_a_flag_that_is_the_or_of_others(
    status: int, more: int, known: bool, flag: int | None
) -> None:
    bank = Bank.at_reset(CHIP)
    bank.learn("STATUS", status)
    if known:
        bank.learn("MORE", more)
    else:
        bank.forget("MORE")
    machine = Machine(CHIP, bank)
    machine.apply(CODEC.read(CHIP.registers["GATE"]))
    assert machine.bank.code("SUM.ANY") == flag


def test_clearing_the_last_one_clears_the_flag() -> None:
    bank = Bank.at_reset(CHIP)
    bank.learn("MORE", 0b01)
    machine = Machine(CHIP, bank)
    machine.apply(CODEC.read(CHIP.registers["GATE"]))
    told = effects(machine, CODEC.decode_command(frame(1, 4, 0b01)))
    assert [str(c) for c in told.changes] == ["MORE.OPEN: 1 -> 0", "SUM.ANY: 1 -> 0"]


READ, GATE, BAD = frame(0, 2, 0), frame(1, 2, 5), frame(1, 2, 5) ^ 1


@pytest.mark.parametrize(
    ("key", "first", "broken"),
    [
        # which of: a rejected frame, a read, another write, a wrong write of the key register
        ("strict", 0x01, (True, True, True, True)),
        ("sound", 0x11, (False, True, True, True)),
        ("writing", 0x21, (False, False, True, True)),
        ("own", 0x31, (False, False, False, True)),
        ("never", 0x41, (False, False, False, False)),
    ],
)
def test_what_breaks_a_key(key: str, first: int, broken: tuple[bool, ...]) -> None:
    step = lambda code: frame(1, 7, code)  # noqa: E731
    between = (BAD, READ, GATE, step(0x7F))
    for other, breaks in zip(between, broken, strict=True):
        machine = Machine(CHIP)
        events: list[str] = []
        for word in (step(first), other, step(first + 1)):
            events += effects(machine, CODEC.decode_command(word)).outcome.events
        assert (key in events) is not breaks, hex(other)
        # the simulated chip is the same machine, with rejection of its own
        twin = Twin(CHIP)
        for word in (step(first), other, step(first + 1)):
            twin.exchange(word)
        assert any(e.text == key for e in twin.events) is not breaks


ONLY_WRITES = """gateword_map: 1
chip: {name: deaf, invented: yes}
spi: {mode: 0}
frames:
  word:
    length: 16
    command:
      address: {bits: 15..9, holds: address}
      guard:   {bits: 8, holds: parity, parity: even}
      data:    {bits: 7..0, holds: data}
registers:
  GATE:  {address: 1, reset: 0x11, fields: {V: {bits: 7..0}}}
  OTHER: {address: 2, reset: 0, access: wo, fields: {V: {bits: 7..0}}}
known_frames:
  # 0000001 p 00110011: five ones, parity 1
  - {does: GATE = 0x33, command: 0x0333, source: section 1}
"""


def test_a_chip_that_only_takes_writes() -> None:
    chip, found = check_map("deaf.yaml", text=ONLY_WRITES)
    assert chip is not None
    assert [str(p) for p in found if p.severity == "error"] == []
    [frame_] = plan(chip, ["GATE.V = 0x33"])
    assert frame_.sent.word == 0x0333
    told = effects(Machine(chip), Codec(chip).decode_command(0x0333))
    assert [str(c) for c in told.changes] == ["GATE.V: 17 -> 51"]
    twin = Twin(chip)
    assert twin.exchange(0x0333) == 0
    twin.exchange(0x0233)  # parity does not fit
    twin.exchange(0x0434)  # OTHER = 0x34: 0000010 p 00110100, four ones, parity 0
    assert (twin.word("GATE"), twin.word("OTHER")) == (0x33, 0x34)
    with pytest.raises(CallError, match="cannot read"):
        plan(chip, ["read:GATE"])
    words = [a.sent.word for a in bring_up_sequence(chip, Bank.at_reset(chip)) if a.sent]
    # 0000001 p 00010001: three ones; 0000010 p 00000000: one
    assert words == [0x0311, 0x0500]  # written, and never read back


def test_a_step_counts_only_in_its_own_register() -> None:
    """KEY.CODE = 1 is the first step of a key; GATE = 1 is not."""
    machine = Machine(CHIP)
    events: list[str] = []
    for word in (frame(1, 2, 0x01), frame(1, 7, 0x02)):
        events += effects(machine, CODEC.decode_command(word)).outcome.events
    assert events == []
    for word in (frame(1, 7, 0x01), frame(1, 7, 0x02)):
        events += effects(machine, CODEC.decode_command(word)).outcome.events
    assert events == ["strict"]


def test_a_capture_and_the_link_know_what_a_command_returns() -> None:
    """HOT is raised between two commands that return STATUS and clear it."""
    import importlib.util
    import io

    from regmap.capture.formats.opening import open_capture
    from regmap.trace.tracer import trace_capture

    out = io.StringIO()
    twin = Twin(CHIP, vcd=out)
    take = frame(2, 9, 0)
    twin.exchange(take)
    twin.disturb("HOT for 1 us")
    twin.wait(1e-3)
    assert [twin.exchange(take), twin.exchange(take)] == [0x5A01, 0x5A00]
    twin.close()
    with open_capture(io.BytesIO(out.getvalue().encode()), name="dump.vcd") as capture:
        (walker,) = trace_capture(capture, [CHIP]).walkers
    (interval,) = walker.faults.intervals
    assert (interval.fault, interval.clear_before, interval.raised, interval.gone) == (
        "HOT",
        0,
        1,
        2,
    )
    assert interval.attempts == [1]
    assert walker.belief.bank.word("STATUS") == 0
    place = Path(__file__).parents[1] / "link" / "bench.py"
    spec = importlib.util.spec_from_file_location("bench_of_link", place)
    assert spec
    assert spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    bench = module.Bench(CHIP)
    bench.twin.disturb("HOT for 1 us")
    bench.twin.wait(1e-3)
    told = bench.link.command(CHIP.commands["TAKE"])
    assert told.returned == (("STATUS", 1),)
    assert bench.link.command(CHIP.commands["TAKE"]).returned == (("STATUS", 0),)
    # what a command carries into a register is not what was known of it
    assert bench.link.read("GATE").word == 0x11
    bench.link.command(CHIP.commands["QUICK"], 0x55)
    assert bench.link.known.word("GATE") is None
    assert bench.link.read("GATE").word == 0x55
