"""Bring-up sequences, differences, and plans of single requests."""

from __future__ import annotations

import pytest

from regmap.behaviour.effects import compare
from regmap.behaviour.machine import Machine
from regmap.behaviour.plan import plan
from regmap.behaviour.settings import bring_up_sequence
from regmap.chip.bank import Bank
from regmap.errors import CallError
from regmap.maps.load import load_map, read_map
from regmap.stages.load import load_stage, read_stage

CHIP = load_map("quoll16")


def test_the_plan_follows_the_sequences_in_order() -> None:
    stage = load_stage("coolant_pump")
    actions = bring_up_sequence(stage.chip, stage.bank)
    assert [a.sequence for a in actions] == sorted(
        (a.sequence for a in actions), key=["power_up", "unlock", "configure", "lock"].index
    )
    assert [a.text for a in actions if a.do == "wait"] == ["wait 1 ms"]
    assert actions[-1].do == "expect"
    written = {
        a.sent.register.name: a.sent.data
        for a in actions
        if a.do == "write" and a.sent and a.sent.register
    }
    assert written == {n: stage.bank.words[n] for n in written}
    assert set(written) == {
        "MODE",
        "GATE_HS",
        "GATE_LS",
        "TIMING",
        "VDS",
        "SENSE",
        "SUPPLY",
        "WATCHDOG",
    }


def test_a_chip_that_gets_the_plan_holds_the_stage() -> None:
    stage = load_stage("coolant_pump")
    machine = Machine(stage.chip)
    for action in bring_up_sequence(stage.chip, stage.bank):
        if action.sent is not None:
            machine.apply(action.sent)
    assert not compare(
        stage.chip,
        machine.bank,
        stage.bank,
        [r for r in stage.chip.registers if r not in ("LOCK", "STATUS2")],
    )
    assert machine.bank.state("locked") is True


def test_a_locked_chip_refuses_and_says_why() -> None:
    machine = Machine(CHIP)
    for planned in plan(CHIP, ["LOCK.KEY = locked"]):
        machine.apply(planned.sent)
    outcome = machine.apply(plan(CHIP, ["GATE_HS.SOURCE = 56 mA"])[0].sent)
    assert not outcome.taken
    assert outcome.why == "GATE_HS is writable only while not locked"
    assert machine.bank.words["GATE_HS"] == CHIP.registers["GATE_HS"].reset


def test_settings_of_one_register_share_a_write_and_others_keep_their_word() -> None:
    frames = plan(
        CHIP, ["GATE_HS.SOURCE=56 mA; GATE_HS.SINK=130 mA", "MODE.PWM=three_input", "read:STATUS1"]
    )
    assert [(p.sent.kind, p.sent.register.name if p.sent.register else "") for p in frames] == [
        ("write", "GATE_HS"),
        ("write", "MODE"),
        ("read", "STATUS1"),
    ]
    # 56 mA is code 4, 130 mA sink code 8, HOLD stays at its reset code 1
    assert frames[0].sent.data == 1 << 8 | 8 << 4 | 4


def test_a_second_write_builds_on_the_first() -> None:
    frames = plan(CHIP, ["GATE_HS.SOURCE=56 mA", "read:ID", "GATE_HS.SINK=130 mA"])
    assert frames[2].sent.data == 1 << 8 | 8 << 4 | 4


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("GATE_HS.SOURCE", "is not a request"),
        ("GATE_HS", "alone says neither read nor write"),
        ("GATE_HS = 0x400", "does not fit the 10 bits of GATE_HS"),
        ("GATE_HS = red", "is not a word"),
        ("STATUS1.OT = 1", "cannot be written (ro)"),
        ("read:GATEHS", "nearest: GATE_HS"),
        ("GATE_HS.SOURCE =", "has no value after ="),
        ("GATE_HS.SOURCE = 11 A", "outside what SOURCE can do, 12 mA..680 mA; nearest: 680 mA"),
    ],
)
def test_impossible_requests(text: str, says: str) -> None:
    with pytest.raises(CallError) as caught:
        plan(CHIP, [text])
    assert says in str(caught.value)


def test_differences_name_old_and_new() -> None:
    a, b = Bank.at_reset(CHIP), Bank.at_reset(CHIP)
    item = CHIP.field("GATE_HS.SOURCE")
    assert item is not None
    b.put(item, 4)
    assert [str(c) for c in compare(CHIP, a, b)] == ["GATE_HS.SOURCE: 39 mA -> 56 mA"]
    b.forget("MODE")
    assert "MODE.PWM: six_input -> unknown" in [str(c) for c in compare(CHIP, a, b)]


def test_machine_write_one_to_clear_and_read_to_clear_follow_the_map() -> None:
    chip = load_map("numbat24")
    register = next(r for r in chip.registers.values() if any(f.access == "w1c" for f in r.fields))
    field = next(f for f in register.fields if f.access == "w1c")
    machine = Machine(chip)
    machine.bank.learn(register.name, register.mask)
    machine.write(register, 1 << field.bits[0])
    word = machine.bank.word(register.name)
    assert word is not None
    assert not word >> field.bits[0] & 1


def test_a_setting_that_the_bring_up_never_writes_is_told_and_refused_in_a_plan() -> None:
    text = "gateword_stage: 1\nstage: {name: t}\nmap: numbat24\nsettings: {CONTROL.ENABLE: max}\n"
    chip = load_map("numbat24")
    field = next(f for f in chip.registers["CONTROL"].fields if f.setting)
    stage, found = read_stage("s.yaml", text=text.replace("CONTROL.ENABLE: max", f"{field.ref}: 1"))
    assert stage is not None
    assert [str(p).partition(": settings of ")[2].partition(";")[0] for p in found] == [
        "CONTROL, which the sequence 'configure' of numbat24 never writes"
    ]
    with pytest.raises(CallError, match="CONTROL is wanted at other than its reset word"):
        bring_up_sequence(stage.chip, stage.bank)


PAGED = """
gateword_map: 1
chip: {name: small}
spi: {mode: 1}
frames:
  word:
    length: 16
    command:
      op: {bits: 15, holds: operation, codes: {read: 1, write: 0}}
      turn: {bits: 14..13, holds: counter, start: 1}
      address: {bits: 12..8, holds: address}
      data: {bits: 7..0, holds: data}
    reply: {after: 1, parts: {mark: {bits: 15..8, holds: fixed, value: 0xA5}, data: {bits: 7..0, holds: data}}}
page_select: PAGE.NUMBER
registers:
  PAGE: {address: 0x1F, reset: 0, fields: {NUMBER: {bits: 1..0}}}
  GATE_U: {address: 2, page: 1, reset: 0x10, fields: {ALL: {bits: 7..0}}}
  GATE_V: {address: 3, page: 1, reset: 0x20, fields: {ALL: {bits: 7..0}}}
  GATE_W: {address: 2, page: 2, reset: 0x30, fields: {ALL: {bits: 7..0}}}
sequences:
  configure: [{configure: [GATE_U, GATE_V, GATE_W]}]
"""


def test_a_bring_up_selects_each_page_once_and_counts_its_frames() -> None:
    """By hand: operation, counter from 1 on and round, address, data; the page before what stands on it."""
    chip, problems = read_map("small.yaml", text=PAGED)
    assert chip is not None, problems
    wanted = Bank.at_reset(chip)
    for name, word in (("GATE_U", 0x81), ("GATE_V", 0x82), ("GATE_W", 0x84)):
        wanted.learn(name, word)
    actions = bring_up_sequence(chip, wanted)
    assert [f"{a.sent.word:016b}" for a in actions if a.sent] == [
        "0011111100000001",  # page 1, count 1
        "0100001010000001",  # GATE_U, count 2
        "0110001110000010",  # GATE_V, count 3
        "0001111100000010",  # page 2, count 0
        "0010001010000100",  # GATE_W, count 1
    ]
