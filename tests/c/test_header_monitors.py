"""Start-up tests of the monitors, compiled, against a simulated chip: a dead monitor is found, a live one is not accused.

The test procedure is the map's (force a comparator, expect its fault); what a latent fault is and why it is
looked for at start-up: ISO 26262-5:2018, 8.4.8 and annex D (from memory).
"""

from __future__ import annotations

import ctypes
import random
from collections.abc import Callable

import pytest

from regmap.behaviour.machine import Outcome
from regmap.chip.model import Register

from .test_header_damage import OK, Rig, damages, snapshot, twin_tests
from .written import TOOLS

EXPECT, MONITOR = 3, 9
RUNS = 50  # damaged runs with a dead monitor, and as many with live ones


@pytest.fixture(scope="module", params=TOOLS)
def rig(tmp_path_factory: pytest.TempPathFactory, request: pytest.FixtureRequest) -> Rig:
    need: Callable[[str], str] = request.getfixturevalue("need_tool")
    folder = tmp_path_factory.mktemp("monitors")
    stage = twin_tests().stage_of("wombat24", folder)
    it = Rig(stage, folder, need(TOOLS[request.param]), request.param)
    assert it.run("init")[0] == OK
    it.c.d_keep()
    return it


def monitors(it: Rig) -> tuple[int, int]:
    failed = ctypes.c_uint32()
    return it.c.d_monitors(ctypes.byref(failed)), failed.value


def stick(it: Rig, bits: int, level: int) -> None:
    """These bits of FAULT never change from `level`: a comparator that is dead, or stuck."""
    machine = it.twin.machine
    take, read = machine.write, machine.read

    def hold(outcome: Outcome) -> Outcome:
        machine.bank.learn("FAULT", -level, bits)
        return outcome

    def write(register: Register, word: int) -> Outcome:
        return hold(take(register, word))

    def reads(register: Register) -> Outcome:
        return hold(read(register))

    machine.write, machine.read = write, reads  # type: ignore[method-assign]


def test_live_monitors_pass_and_the_chip_is_as_before(rig: Rig) -> None:
    ready = rig.twin
    rig.twin = snapshot(ready)
    rig.c.d_back()
    assert monitors(rig) == (OK, 0)
    assert rig.configured() == []
    assert rig.twin.machine.bank.code("TEST.FORCE") == 0
    rig.twin = ready


@pytest.mark.parametrize("level", [0, 1], ids=["dead", "stuck"])
def test_a_monitor_that_does_not_answer_is_found(rig: Rig, level: int) -> None:
    chip = rig.stage.chip
    ready = rig.twin
    for index, test in enumerate(chip.monitor_tests.values()):
        rig.twin = snapshot(ready)
        rig.c.d_back()
        field = chip.field(chip.faults[test.proves[0]].ref)
        assert field is not None
        stick(rig, field.mask, level)
        result, failed = monitors(rig)
        # what is stuck high cannot be cleared either: the chip is not as before
        assert (result, failed) == ((EXPECT if level else MONITOR), 1 << index)
        assert rig.twin.machine.bank.code("TEST.FORCE") == 0
    rig.twin = ready


def test_damaged_frames_never_hide_a_dead_monitor_or_leave_the_force(rig: Rig) -> None:
    chip = rig.stage.chip
    ready = rig.twin
    rig.twin = snapshot(ready)
    rig.c.d_back()
    rig.arm()
    assert monitors(rig) == (OK, 0)
    sizes = rig.sizes
    rng = random.Random(5)
    silent = []
    for dead in (False, True):
        for damage in damages(sizes, 6 + dead, RUNS):
            rig.twin = snapshot(ready)
            rig.c.d_back()
            name = rng.choice([t.proves[0] for t in chip.monitor_tests.values()])
            if dead:
                field = chip.field(chip.faults[name].ref)
                assert field is not None
                stick(rig, field.mask, 0)
            rig.arm(damage)
            result, _ = monitors(rig)
            wrong = dead or rig.configured() or rig.twin.machine.bank.code("TEST.FORCE") != 0
            if result == OK and wrong:
                silent.append((damage, name if dead else rig.configured()))
    rig.twin = ready
    assert silent == []
