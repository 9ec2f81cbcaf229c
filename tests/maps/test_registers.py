"""Every construct of a register and of a value, in both directions."""

from __future__ import annotations

from fractions import Fraction

import pytest

from regmap.behaviour.machine import Machine, after_read, after_write, as_read
from regmap.behaviour.plan import plan, word_to_write
from regmap.behaviour.settings import bring_up_sequence
from regmap.chip import values
from regmap.chip.bank import Bank
from regmap.chip.bits import mask_of
from regmap.chip.model import Chip, Register
from regmap.errors import CallError
from regmap.expr import evaluate
from regmap.frames.codec import Codec
from regmap.maps.load import load_map, read_map
from regmap.quantity import parse

FRAME = """
gateword_map: 1
chip: {name: small}
spi: {mode: 0}
frames:
  word:
    length: 16
    command:
      op: {bits: 15, holds: operation, codes: {read: 1, write: 0}}
      address: {bits: 14..12, holds: address}
      data: {bits: 11..0, holds: data}
    reply: {parts: {all: {bits: 15..12, holds: ignored}, data: {bits: 11..0, holds: data}}}
"""


def small(rest: str) -> Chip:
    chip, problems = read_map("small.yaml", text=FRAME + rest)
    assert chip is not None, "\n".join(map(str, problems))
    return chip


def one(fields: str, more: str = "") -> tuple[Chip, Register]:
    """A chip of one register R, `fields` in flow style."""
    chip = small(f"registers:\n  R: {{address: 1, {more}fields: {{{fields}}}}}\n")
    return chip, chip.registers["R"]


# --- pages, gaps, widths, masks ---------------------------------------------------------------------
def test_pages_in_the_frame() -> None:
    chip = load_map("bilby32")
    codec = Codec(chip)
    same = [r for r in chip.registers.values() if r.address == 0x0]
    assert [(r.name, r.page) for r in same] == [("FLAGS", 0), ("DRIVE", 1), ("TRIM", 2)]
    for register in same:
        read = codec.read(register)
        assert codec.decode_command(read.word).register is register
    # a register of no page is found on every one
    frame = chip.default_frame()
    for page in range(4):
        assert codec.recogniser.register_at(frame, "read", 0xF, page) is chip.registers["ID"]


def test_pages_selected_by_a_field() -> None:
    chip = load_map("potoroo40")
    codec = Codec(chip)
    frames = plan(chip, ["DEAD.TIME = 1 us", "read:FAULTS", "read:FAULTS"])
    done = [(p.sent.kind, p.sent.register.name if p.sent.register else "") for p in frames]
    assert done == [
        ("write", "PAGE"), ("write", "DEAD"), ("write", "PAGE"), ("read", "FAULTS"), ("read", "FAULTS"),
    ]  # fmt: skip
    machine = Machine(chip)
    for planned in frames:
        seen = codec.decode_command(planned.sent.word, machine.bank)
        assert seen.register is planned.sent.register
        machine.apply(seen)
    # the same word means another register on another page
    there = Bank.at_reset(chip)
    there.learn("PAGE", 2)
    read = codec.read(chip.registers["FAULTS"])
    assert codec.decode_command(read.word, there).register is chip.registers["CURRENT"]


def test_gaps_between_addresses() -> None:
    codec = Codec(load_map("quoll16"))
    frame = codec.chip.default_frame()
    assert codec.recogniser.register_at(frame, "read", 0xD) is None
    seen = codec.decode_command(0xE801)  # a read of 0xD: 1 1101 0000000000 and odd parity
    assert (seen.kind, seen.address, seen.register, seen.flaws) == ("read", 0xD, None, ())


def test_widths_that_differ() -> None:
    chip = load_map("potoroo40")
    codec = Codec(chip)
    assert [chip.registers[n].width for n in ("PAGE", "LAST", "FAULTS")] == [8, 12, 16]
    with pytest.raises(CallError, match="does not fit the 8 bits of PAGE"):
        codec.write(chip.registers["PAGE"], 0x100)
    wide = codec.write(chip.registers["OUTPUT"], 0x1234)
    assert codec.decode_command(wide.word).data == 0x1234
    read = codec.read(chip.registers["LAST"])
    answer = codec.decode_reply(codec.build_reply(read, 0xFFFF), read)
    assert answer.data == 0xFFF
    assert any("wider than the 12 bits of LAST" in f.text for f in answer.flaws)


def test_masks_of_reading_and_writing() -> None:
    chip, register = one("A: {bits: 11..0}", "reset: 0xFFF, read_mask: 0x0F0, write_mask: 0x00F, ")
    assert after_write(register, 0xFFF, 0x000) == 0xFF0
    assert as_read(chip, register, {"R": 0xABC}) == 0x0B0
    bank = Bank(chip)
    bank.learn_read("R", 0x0B0)
    assert (bank.words["R"], bank.known["R"]) == (0x0B0, 0x0F0)


def test_reserved_bits() -> None:
    chip = load_map("bilby32")
    drive = chip.registers["DRIVE"]
    assert drive.reserved == 0b00_1111_1000_0000
    assert drive.reserved_keep == drive.reserved
    bank = Bank.at_reset(chip)
    bank.learn("DRIVE", 0b00_1010_1000_0000, drive.reserved)  # as read from this chip
    (planned,) = plan(chip, ["DRIVE.SINK = 3"], bank)
    assert planned.sent.data is not None
    assert planned.sent.data & drive.reserved == 0b00_1010_1000_0000
    # bits 7..6 of TIME_L must be written as 10 whatever they read
    bank.learn("TIME_L", 0x3FFF)
    assert word_to_write(chip, "TIME_L", bank) & 0b11_1100_1100_0000 == 0b1000_0000


# --- access -----------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("access", "old", "written", "held", "read", "then"),
    [
        ("rw", 0b0110, 0b0011, 0b0011, 0b0011, 0b0011),
        ("ro", 0b0110, 0b0011, 0b0110, 0b0110, 0b0110),
        ("wo", 0b0110, 0b0011, 0b0011, 0b0000, 0b0011),
        ("w1c", 0b0110, 0b0011, 0b0100, 0b0100, 0b0100),
        ("w0c", 0b0110, 0b0011, 0b0010, 0b0010, 0b0010),
        ("rc", 0b0110, 0b0011, 0b0110, 0b0110, 0b0000),
        ("once", 0b0110, 0b0011, 0b0011, 0b0011, 0b0011),
        ("sc", 0b0110, 0b0011, 0b0000, 0b0000, 0b0000),
    ],
)
def test_each_access(access: str, old: int, written: int, held: int, read: int, then: int) -> None:
    """Held after a write, what a read shows, and what is held after that read."""
    chip, register = one(f"A: {{bits: 3..0, access: {access}}}")
    assert after_write(register, old, written) == held
    assert as_read(chip, register, {"R": held}) == read
    assert after_read(register, held) == then
    field = register.fields[0]
    assert field.writable == (access not in ("ro", "rc"))
    assert field.setting == (access in ("rw", "wo", "once"))
    if not field.writable:
        with pytest.raises(CallError, match="cannot be written"):
            plan(chip, ["R.A = 1"])


def test_write_once() -> None:
    chip = load_map("bilby32")
    machine = Machine(chip)
    first, second = plan(chip, ["TRIM.SHUNT = 1 %"]), plan(chip, ["TRIM.SHUNT = 2 %"])
    assert machine.apply(first[0].sent).taken
    outcome = machine.apply(second[0].sent)
    assert not outcome.taken
    assert "once" in outcome.why
    assert machine.bank.code("TRIM.SHUNT") == 4


def test_settings_beside_bits_that_clear() -> None:
    """Setting one field does not clear faults that share its register, nor start anything."""
    chip, _ = one(
        "A: {bits: 3..0}, F: {bits: 4, access: w1c, reset: 1}, Z: {bits: 5, access: w0c, reset: 1}, S: {bits: 6, access: sc}"
    )
    bank = Bank.at_reset(chip)
    bank.learn("R", 0b111_0000)
    (planned,) = plan(chip, ["R.A = 5"], bank)
    assert planned.sent.data == 0b010_0101
    (planned,) = plan(chip, ["R.F = 1"], bank)
    assert planned.sent.data == 0b011_0000


# --- states and keys --------------------------------------------------------------------------------
def test_writable_only_in_a_state() -> None:
    chip = load_map("quoll16")
    machine = Machine(chip)
    write = plan(chip, ["VDS.THRESHOLD = 200 mV"])[0].sent
    lock, unlock = (plan(chip, [f"LOCK.KEY = {k}"])[0].sent for k in ("locked", "open"))
    assert machine.apply(lock).taken
    outcome = machine.apply(write)
    assert not outcome.taken
    assert "not locked" in outcome.why
    assert machine.bank.words["VDS"] == chip.registers["VDS"].reset
    machine.apply(unlock)
    assert machine.apply(write).taken
    assert (
        machine.bank.code("VDS.THRESHOLD") == 4
    )  # 180 mV: a threshold goes to the side that protects


def test_a_key_sequence_and_what_interrupts_it() -> None:
    chip = load_map("bilby32")
    codes = ["KEY.CODE = first", "KEY.CODE = second", "KEY.CODE = third"]
    frames = [p.sent for p in plan(chip, codes)]
    other = plan(chip, ["read:TEMP"])[0].sent

    def opened(order: list[int]) -> bool | None:
        machine = Machine(chip)
        for index in order:
            machine.apply(other if index < 0 else frames[index])
        return machine.bank.state("open")

    assert opened([0, 1, 2]) is True
    assert opened([0, 1]) is False
    assert opened([0, 2, 1]) is False
    assert opened([0, -1, 1, 2]) is False
    assert opened([0, 0, 1, 2]) is True
    assert opened([0, 1, -1, 2]) is False
    assert opened([-1, 0, 1, 2, -1]) is True


def test_a_key_sequence_that_may_be_interrupted() -> None:
    chip = small(
        """registers:
  R: {address: 1, access: wo, fields: {A: {bits: 3..0}}}
  O: {address: 2, fields: {A: {bits: 3..0}}}
keys:
  two: {steps: [R.A = 1, R.A = 2], uninterrupted: no}
states:
  opened: {entered_by: [two]}
"""
    )
    machine = Machine(chip)
    for text in ("R.A = 1", "O.A = 3", "read:O", "R.A = 2"):
        machine.apply(plan(chip, [text])[0].sent)
    assert machine.bank.state("opened") is True


def test_a_state_by_condition() -> None:
    chip = load_map("wombat24")
    machine = Machine(chip)
    assert machine.bank.state("running") is False
    machine.apply(plan(chip, ["CONTROL.RUN = on"])[0].sent)
    assert machine.bank.state("running") is True
    assert not machine.apply(plan(chip, ["GATE.SINK = 120 mA"])[0].sent).taken


# --- complements, readback, power-up ----------------------------------------------------------------
def test_complement_pairs() -> None:
    chip = load_map("bilby32")
    frames = plan(chip, ["LIMIT.TRIP = 100 mV"])
    assert [(p.sent.register.name, p.sent.data) for p in frames if p.sent.register] == [
        ("LIMIT", 95),
        ("LIMIT_N", ~95 & 0xFF),
    ]
    bank = Bank.at_reset(chip)
    bank.learn("LIMIT", 0x12)
    assert word_to_write(chip, "LIMIT_N", bank) == 0xED
    wanted = Bank.at_reset(chip)
    wanted.learn("LIMIT", 0x12)
    words = {a.sent.register.name: a.sent.data for a in bring_up_sequence(chip, wanted) if a.do == "write" and a.sent and a.sent.register}  # fmt: skip
    assert (words["LIMIT"], words["LIMIT_N"]) == (0x12, 0xED)


def test_registers_that_read_back_differently() -> None:
    chip = load_map("bilby32")
    words = {"SENTRY": 0x0F, "DRIVE": 0x1234, "COPY": 0, "KEY": 0x3A}
    assert as_read(chip, chip.registers["SENTRY"], words) == 0xF0
    assert as_read(chip, chip.registers["COPY"], words) == 0x1234
    assert as_read(chip, chip.registers["KEY"], words) == 0
    bank = Bank(chip)
    bank.learn_read("SENTRY", 0xF0)
    assert bank.word("SENTRY") == 0x0F
    bank.learn_read("COPY", 0x1234)
    assert bank.word("DRIVE") == 0x1234
    bank.learn_read("KEY", 0)
    assert bank.word("KEY") is None


def test_flags_that_are_normal_after_power_up() -> None:
    chip = load_map("bilby32")
    assert chip.faults["POR"].normal_at_power_up
    field = chip.field("EVENTS.POR")
    assert field is not None
    assert (field.reset, field.power_up) == (0, 1)
    assert load_map("numbat24").faults["POR"].normal_at_power_up


# --- values -----------------------------------------------------------------------------------------
def both_ways(
    chip: Chip, ref: str, asked: str, code: int, label: str, env: Bank | None = None
) -> None:
    """What people write gives the code, and the code reads as what people read."""
    item = chip.field(ref)
    assert item is not None
    assert values.choose(item, asked, env).code == code
    assert values.read(item, code, env).label == label


def test_options() -> None:
    chip, _ = one(
        """A: {bits: 2..0, options: {0: "off", 1: 60 mA, 2: {name: strong, value: 120 mA}, 3: {name: test, text: do not use}, "4,6": same, 5..5: five, 7: 0.3 A}}"""
    )
    both_ways(chip, "R.A", "off", 0, "off")
    both_ways(chip, "R.A", "60 mA", 1, "60 mA")
    both_ways(chip, "R.A", "strong", 2, "strong (120 mA)")
    both_ways(chip, "R.A", "test", 3, "test")
    both_ways(chip, "R.A", "same", 4, "same")
    both_ways(chip, "R.A", "6", 6, "same")
    both_ways(chip, "R.A", "300 mA", 7, "300 mA")
    item = chip.field("R.A")
    assert item is not None
    # what the chip cannot do is refused, and what lies between is told with its error
    with pytest.raises(CallError, match="outside what A can do"):
        values.choose(item, "1 A")
    choice = values.choose(item, "70 mA")
    assert (choice.code, choice.error) == (1, Fraction(-1, 7))


def test_flags_without_options() -> None:
    chip, _ = one("F: {bits: 5}")
    both_ways(chip, "R.F", "1", 1, "1")
    both_ways(chip, "R.F", "0b0", 0, "0")


def test_linear_scale_with_offset() -> None:
    chip, _ = one("A: {bits: 7..0, scale: {step: 20 ns, offset: 60 ns, tolerance: 12 %}}")
    both_ways(chip, "R.A", "500 ns", 22, "500 ns")
    both_ways(chip, "R.A", "60 ns", 0, "60 ns")
    both_ways(chip, "R.A", "max", 255, "5.16 us")
    band = values.read(chip.registers["R"].fields[0], 22).band
    assert band is not None
    assert (band.low, band.high) == (Fraction(440, 10**9), Fraction(560, 10**9))


def test_signed_scale_and_ends() -> None:
    chip = load_map("bilby32")
    both_ways(chip, "TEMP.JUNCTION", "25 degC", 0, "25 degC")
    both_ways(chip, "TEMP.JUNCTION", "-20 degC", 256 - 30, "-20 degC")
    item = chip.field("TEMP.JUNCTION")
    assert item is not None
    assert not values.read(item, 127).defined  # last is 100
    assert values.read(item, 0x80).label == "128 (not defined)"
    with pytest.raises(CallError, match="outside what JUNCTION can do"):
        values.choose(item, "-100 degC")


def test_scale_and_options_in_one_field() -> None:
    chip = load_map("potoroo40")
    both_ways(chip, "OUTPUT.FULL_DRIVE", "endless", 7, "endless")
    both_ways(chip, "OUTPUT.FULL_DRIVE", "3.5 us", 6, "3.5 us")


def test_tables_with_min_typ_max_and_duplicate_codes() -> None:
    chip = load_map("bilby32")
    both_ways(chip, "VDS.THRESHOLD", "300 mV", 3, "300 mV")
    both_ways(chip, "VDS.THRESHOLD", "750 mV", 5, "750 mV")  # 5, 6 and 7 are the same
    item = chip.field("VDS.THRESHOLD")
    assert item is not None
    assert values.read(item, 7).label == "750 mV"
    band = values.read(item, 3).band
    assert band is not None
    assert [band.low, band.typ, band.high] == [
        parse(t).value for t in ("260 mV", "300 mV", "345 mV")
    ]


def test_tables_with_holes_and_options() -> None:
    chip = load_map("potoroo40")
    both_ways(chip, "MONITOR.THRESHOLD", "off", 0, "off")
    both_ways(chip, "MONITOR.THRESHOLD", "0.55 V", 4, "550 mV")
    both_ways(chip, "MONITOR.THRESHOLD", "reserved", 5, "reserved")
    both_ways(chip, "MONITOR.THRESHOLD", "1.1 V", 7, "1.1 V")


@pytest.mark.parametrize(
    ("tolerance", "low", "high"), [("10 %", 90, 110), ("5 ns", 95, 105), ("1000 ppm", 99.9, 100.1)]
)
def test_tolerances(tolerance: str, low: float, high: float) -> None:
    chip, register = one(
        f"A: {{bits: 0, options: {{0: 100 ns, 1: 200 ns}}, tolerance: {tolerance}}}"
    )
    band = values.read(register.fields[0], 0).band
    assert band is not None
    assert float(band.low * 10**9) == pytest.approx(low)
    assert float(band.high * 10**9) == pytest.approx(high)
    del chip


def test_a_meaning_that_depends_on_another_field() -> None:
    chip = load_map("bilby32")
    env = Bank.at_reset(chip)
    both_ways(chip, "DRIVE.SOURCE", "40 mA", 7, "40 mA", env)
    env.learn("DRIVE", 1 << 12, 1 << 12)
    both_ways(chip, "DRIVE.SOURCE", "450 mA", 7, "450 mA", env)
    # in one request the earlier setting already counts
    (planned,) = plan(chip, ["DRIVE.RANGE = strong; DRIVE.SOURCE = 450 mA"])
    assert planned.sent.data is not None
    assert planned.sent.data >> 12 & 1
    item = chip.field("DRIVE.SOURCE")
    assert item is not None
    assert values.read(item, 7, Bank(chip)).text == "its meaning depends on DRIVE.RANGE"


def test_a_meaning_that_depends_on_the_supply() -> None:
    chip = load_map("potoroo40")
    for volts, asked, label in ((6, "75 mA", "75 mA"), (12, "125 mA", "125 mA")):
        env = Bank.at_reset(chip, supply=Fraction(volts))
        both_ways(chip, "OUTPUT.SOURCE", asked, 4, label, env)
    item = chip.field("OUTPUT.SOURCE")
    assert item is not None
    assert values.read(item, 4, Bank.at_reset(chip)).text == "its meaning depends on supply"


def test_scattered_bits() -> None:
    chip = load_map("bilby32")
    item = chip.field("DRIVE.SOURCE")
    assert item is not None
    assert item.bits == (13, 6, 5, 4)
    bank = Bank.at_reset(chip)
    bank.learn("DRIVE", 0)
    bank.put(item, 0b1010)
    assert bank.words["DRIVE"] == 1 << 13 | 1 << 5
    assert bank.field_code(item) == 0b1010
    assert mask_of(item.bits) == 1 << 13 | 0b111_0000


def test_a_value_joined_over_registers() -> None:
    chip = load_map("bilby32")
    frames = plan(chip, ["DEAD_TIME = 3.3 us"])  # 50 ns + 130 x 25 ns, 130 = 10 000010
    assert [(p.sent.register.name, p.sent.data) for p in frames if p.sent.register] == [
        ("TIME_H", 0b10),
        ("TIME_L", 0b1000_0010),
    ]
    bank = Bank.at_reset(chip)
    bank.learn("TIME_H", 0b10)
    bank.learn("TIME_L", 0b00_0010)
    assert bank.code("DEAD_TIME") == 130
    reading = bank.reading("DEAD_TIME")
    assert reading is not None
    assert reading.label == "3.3 us"
    bank.forget("TIME_H")
    assert bank.code("DEAD_TIME") is None


def test_rules_across_fields() -> None:
    chip = load_map("bilby32")
    rules = {r.name: r for r in chip.rules}
    bank = Bank.at_reset(chip)
    assert evaluate(rules["limit_in_range"].require, bank) is True
    bank.learn("LIMIT", 180)
    assert evaluate(rules["limit_in_range"].require, bank) is False
    # a dead time of 850 ns against blanking of 1 us: more than half of it
    assert evaluate(rules["blanking_after_dead_time"].require, bank) is False
    bank.learn("TIME_L", 1 << 8, 0b11 << 8)
    bank.learn("TIME_H", 0)
    assert evaluate(rules["blanking_after_dead_time"].require, bank) is True
    assert evaluate(rules["limit_in_range"].require, Bank(chip)) is None


def test_values_set_outside_the_frame() -> None:
    chip = load_map("potoroo40")
    bank = Bank.at_reset(chip)
    reading = bank.reading("SINK_PIN")
    assert reading is not None
    assert reading.label == "200 mA"  # the default
    assert bank.reading("GAIN_PIN") is None  # nobody has said
    bank.externals["GAIN_PIN"] = 1
    rule = chip.rules[0]
    bank.learn("MONITOR", 3 << 8, 0xF << 8)
    assert evaluate(rule.require, bank) is True
    bank.learn("MONITOR", 9 << 8, 0xF << 8)
    assert evaluate(rule.require, bank) is False
    with pytest.raises(CallError, match="no register 'SINK_PIN'"):
        plan(chip, ["SINK_PIN = 400 mA"])
    assert [getattr(v, "name", "") for v in chip.with_role("sense.gain")] == ["GAIN_PIN"]
