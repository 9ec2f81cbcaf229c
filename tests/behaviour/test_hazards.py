"""Every word that enables outputs, brakes, masks a fault or switches off a protection says so.

The cases are written by hand from what the options of the bundled maps are called (common practice, no source).
"""

from __future__ import annotations

import pytest

from regmap.behaviour.hazards import cautions_of, hazards, hazards_asked, hazards_of, warned
from regmap.behaviour.settings import bring_up_sequence
from regmap.cautions import CAUTION
from regmap.chip.bank import Bank
from regmap.chip.bits import deposit
from regmap.chip.model import Chip, Field
from regmap.chip.values import choose
from regmap.maps.load import load_map, read_map
from regmap.stages.load import load_stage

MAP = """
gateword_map: 1
chip: {name: plain, invented: yes}
spi: {mode: 1}
frames:
  usual:
    length: 12
    command:
      rw: {bits: 11, holds: operation, codes: {read: 1, write: 0}}
      address: {bits: 10..8, holds: address}
      data: {bits: 7..0, holds: data}
registers:
  A:
    address: 1
    fields:
      RUN: {bits: 0, role: drive.enable, options: {0: "off", 1: "on"}}
      STOP: {bits: 1, role: drive.enable, options: {0: "on", 1: "off"}}
      BRAKE: {bits: 2, options: {0: none, 1: all_low_on}}
      VDS: {bits: 4..3, role: vds.mode, options: {0: latch, 1: report, 2: "off", 3: retry}}
      MASK: {bits: 5, role: fault.mask, options: {0: watch, 1: ignore}, summary: temperature warning}
      WD: {bits: 6, role: watchdog.enable, options: {0: "off", 1: "on"}}
      GUARD: {bits: 7, role: spi.check_bits}
"""

#: word -> what must be said; by hand
CASES = {
    0b1100_0010: [],
    0b1100_0011: ["A.RUN = on enables the outputs"],
    0b1100_0000: ["A.STOP = on enables the outputs"],
    0b1100_0110: ["A.BRAKE = all_low_on brakes the motor"],
    0b1100_1010: ["A.VDS = report makes the VDS monitor report and not act"],
    0b1101_0010: ["A.VDS = off switches off the VDS monitor"],
    0b1101_1010: [],
    0b1110_0010: ["A.MASK = ignore masks a fault (temperature warning)"],
    0b1000_0010: ["A.WD = off switches off the watchdog"],
    0b0100_0010: ["A.GUARD = 0 switches off the check bits of the SPI"],
}


@pytest.fixture(scope="module")
def chip(tmp_path_factory: pytest.TempPathFactory) -> Chip:
    path = tmp_path_factory.mktemp("maps") / "plain.yaml"
    path.write_text(MAP)
    chip, problems = read_map(path)
    assert chip is not None, problems
    return chip


@pytest.mark.parametrize("word", CASES, ids=bin)
def test_what_a_word_does_that_can_hurt(chip: Chip, word: int) -> None:
    register = chip.registers["A"]
    assert hazards(register, word) == CASES[word]
    assert cautions_of(register, word) == CASES[word]
    assert warned(hazards(register, word)) == ([*CASES[word], CAUTION] if CASES[word] else [])


def test_only_what_is_asked_for_is_said_of_requests(chip: Chip) -> None:
    assert hazards_asked(chip, ["A.VDS = off", "A.MASK = watch"]) == [
        "A.VDS = off switches off the VDS monitor"
    ]
    assert hazards_asked(chip, ["A = 0x86"]) == [
        "A.BRAKE = all_low_on brakes the motor",
        "A.WD = off switches off the watchdog",
    ]


@pytest.mark.parametrize("name", ["quoll16", "numbat24", "wombat24", "bilby32", "potoroo40"])
@pytest.mark.one_in(2)
def test_no_field_that_can_hurt_is_silent_in_every_code(name: str) -> None:
    """Roles that enable, mask or protect: some code of each such field must be told."""
    for item in _fields(name):
        if item.role in (
            "drive.enable",
            "fault.mask",
            "vds.enable",
            "overcurrent.enable",
            "watchdog.enable",
        ):
            told = [
                hazards(load_map(name).registers[item.register], deposit(code, item.bits))
                for code in range(1 << item.width)
            ]
            assert any(any(t.startswith(item.ref) for t in one) for one in told), item.ref


def _fields(name: str) -> list[Field]:
    return [f for r in load_map(name).registers.values() for f in r.fields]


def test_a_sequence_says_each_once() -> None:
    stage = load_stage("coolant_pump")
    told = hazards_of(bring_up_sequence(stage.chip, stage.bank))
    assert len(told) == len(set(told))
    bank = Bank.at_reset(stage.chip)
    loud = [f for f in _fields("quoll16") if f.role == "vds.mode"]
    for field in loud:
        code = choose(field, "off", bank).code
        word = deposit(code, field.bits)
        assert f"{field.ref} = off switches off the VDS monitor" in hazards(
            stage.chip.registers[field.register], word
        )


def test_the_caution_names_what_it_must() -> None:
    for words in ("data sheet", "measurement", "local codes", "licensed"):
        assert words in CAUTION
