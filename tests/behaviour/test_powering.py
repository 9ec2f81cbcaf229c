"""The frames of a start and of the way to sleep, sent to the twin of every bundled chip."""

from __future__ import annotations

from dataclasses import replace

import pytest

from regmap.behaviour.powering import power_frames
from regmap.behaviour.settings import DEFAULT_SEQUENCE, Action
from regmap.behaviour.transition import brought_up, switches
from regmap.chip.bank import Bank
from regmap.chip.model import Chip
from regmap.frames.codec import bursts
from regmap.maps.load import bundled, load_map
from regmap.stages.load import load_stage
from regmap.twin import Twin

CHIPS = sorted(n for n, p in bundled("devices").items() if "gateword_map" in p.read_text())


def on_off(chip: Chip, bank: Bank, role: str) -> set[bool]:
    """What the switches of a role hold, by their own options."""
    return {bank.code(name) == on for name, (_, on, _) in switches(chip, role).items()}


@pytest.mark.parametrize("name", CHIPS)
def test_the_twin_is_driven_and_then_asleep(name: str) -> None:
    chip = load_map(name)
    wanted = Bank.at_reset(chip)
    found = power_frames(chip, wanted)
    assert not found.refused
    twin = Twin(chip)

    def send(actions: tuple[Action, ...]) -> None:
        for action in actions:
            if action.sent is not None:
                twin.transfer(bursts(action.sent.frame, action.sent.word))
            if action.wait is not None:
                twin.wait(action.wait.high)

    send(found.bring_up)
    assert on_off(chip, twin.machine.bank, "drive.enable") <= {False}
    send(found.outputs_on)
    assert on_off(chip, twin.machine.bank, "drive.enable") <= {True}
    assert bool(found.outputs_on) == bool(switches(chip, "drive.enable"))
    send(found.to_sleep)
    assert on_off(chip, twin.machine.bank, "drive.enable") <= {False}
    assert on_off(chip, twin.machine.bank, "sleep") <= {True}
    assert found.sleeps == bool(switches(chip, "sleep"))


def test_other_settings_take_the_same_frames_and_are_not_planned_again() -> None:
    stage = load_stage("conveyor_drum")
    first = power_frames(stage.chip, stage.bank)
    other = stage.bank.copy()
    item = stage.chip.field("DEADTIME.TIME")
    assert item is not None
    other.put(item, 1)
    assert power_frames(stage.chip, other) is first
    planned = brought_up(stage.chip, other, driving=False)[1]
    lengths = [(a.do, a.sent.frame.length if a.sent else a.wait) for a in planned]
    assert lengths == [(a.do, a.sent.frame.length if a.sent else a.wait) for a in first.bring_up]


def test_what_a_condition_looks_at_is_planned_again() -> None:
    """With the check bits as a setting (in a wombat24 that its sequences do not switch), frames grow."""
    chip = replace(load_map("wombat24"), sequences={"configure": DEFAULT_SEQUENCE})
    plain, longer = Bank.at_reset(chip), Bank.at_reset(chip)
    item = chip.field("SAFETY.CRC")
    assert item is not None
    plain.put(item, 0)
    longer.put(item, 1)

    def bits(bank: Bank) -> int:
        return sum(a.sent.frame.length for a in power_frames(chip, bank).outputs_on if a.sent)

    assert (bits(plain), bits(longer)) == (24, 32)
