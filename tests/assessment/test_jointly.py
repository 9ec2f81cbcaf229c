"""Over all modes at once: a proposal equal to brute force on a small space, sweeps equal to those of each mode."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from regmap.assessment.grid import axis, grid
from regmap.assessment.jointly import (
    grid_over_modes,
    propose_over_modes,
    states,
    sweep_input_over_modes,
    sweep_over_modes,
)
from regmap.assessment.stage import assess, signature
from regmap.assessment.sweep import sweep, sweep_input
from regmap.calc import Verdict
from regmap.chip.values import options
from regmap.stages.load import Stage, read_stage, set_by
from tests.assessment.ranks import Rank, best, put, ranks, worst_first

DEVICES = Path(__file__).parents[2] / "devices"
MODES = """
modes:
  limp:
    after: [OT_WARN, OV_SUPPLY, SPI_ERR]
    motor.current: {rms: 8 A, peak: 18 A}
    settings: {SENSE.OC_TH: 18 mV}
  slow: {after: [controller], pwm.frequency: 8 kHz}
"""


@pytest.fixture(scope="module")
def pump(tmp_path_factory: pytest.TempPathFactory) -> Stage:
    text = (DEVICES / "coolant_pump.yaml").read_text(encoding="utf-8").partition("\nmodes:")[0]
    path = tmp_path_factory.mktemp("pump") / "pump.yaml"
    stage, problems = read_stage(path, text=text + MODES)
    assert stage is not None, problems
    return stage


GOALS = ["overcurrent", "sense"]
known: dict[object, dict[str, Verdict]] = {}


def verdicts_at(mode: str, stage: Stage, codes: tuple[tuple[str, int], ...]) -> dict[str, Verdict]:
    if (mode, codes) not in known:
        bank = stage.bank
        put(bank, dict(codes))
        verdicts = assess(stage, bank, GOALS).verdicts
        known[mode, codes] = {v.check: v for v in verdicts}
    return known[mode, codes]


def ranks_of(
    stage: Stage, at: dict[str, dict[str, int]], before: dict[tuple[str, str], Verdict]
) -> list[Rank]:
    """Every verdict of every mode at these codes, worst first."""
    found: list[Rank] = []
    for mode, there in states(stage).items():
        bank = there.bank
        put(bank, at[mode])
        now = verdicts_at(mode, there, tuple(sorted(at[mode].items())))
        found += ranks(now, {c: had for (m, c), had in before.items() if m == mode}, bank)
    return worst_first(found)


def test_what_a_mode_sets_is_its_own(pump: Stage) -> None:
    assert set_by(pump, pump.modes["limp"]) == {
        "SENSE.OC_TH", "motor.current.rms", "motor.current.peak",
    }  # fmt: skip
    assert set_by(pump, pump.modes["slow"]) == {"pwm.frequency"}
    assert set_by(pump, pump) == set()


def test_the_same_optimum_as_brute_force_over_all_modes(pump: Stage) -> None:
    """Gain is shared by all three states, the threshold is the stage's in two and limp's own in the third."""
    names = ["SENSE.GAIN", "SENSE.OC_TH"]
    result = propose_over_modes(pump, free=names, goals=GOALS)
    assert {p.name for p in result.picks} == {"SENSE.GAIN", "SENSE.OC_TH", "SENSE.OC_TH in limp"}
    before = {
        (m, v.check): v for m, s in states(pump).items() for v in assess(s, names=GOALS).verdicts
    }
    chosen = {p.name: p.new.code for p in result.picks}

    def codes(gain: int, stated: int, limp: int) -> dict[str, dict[str, int]]:
        own = {"as stated": stated, "slow": stated, "limp": limp}
        return {m: {"SENSE.GAIN": gain, "SENSE.OC_TH": c} for m, c in own.items()}

    found = ranks_of(
        pump,
        codes(chosen["SENSE.GAIN"], chosen["SENSE.OC_TH"], chosen["SENSE.OC_TH in limp"]),
        before,
    )
    spans = []
    for name in (*names, "SENSE.OC_TH"):
        item = pump.chip.field(name)
        assert item is not None
        spans.append([r.code for r in options(item, pump.bank)])
    stated = ranks_of(pump, {m: {} for m in states(pump)}, before)
    assert found == best(
        (ranks_of(pump, codes(*c), before) for c in itertools.product(*spans)), stated
    )
    assert result.proven


def test_a_sweep_holds_every_mode_against_its_own_sweep(pump: Stage) -> None:
    found = sweep_over_modes(pump, "SENSE.OC_TH", limit=4)
    alone = {n: sweep(s, "SENSE.OC_TH", limit=4) for n, s in states(pump).items() if n != "limp"}
    for number, row in enumerate(found.rows):
        worst = {n: s.rows[number].worst for n, s in alone.items()}
        assert row.worst == min(worst.values())
        assert row.worst_mode == min(worst, key=lambda n: worst[n])
    assert not any(name.endswith(" in limp") for name in found.moved)


def test_an_input_that_a_mode_states_is_swept_in_the_others(pump: Stage) -> None:
    found = sweep_input_over_modes(pump, "pwm.frequency", "10..40kHz", 2)
    alone = {
        n: sweep_input(s, "pwm.frequency", "10..40kHz", 2)
        for n, s in states(pump).items()
        if n != "slow"
    }
    # a mode stands in a name where what it says differs from the others
    assert {m for name in found.moved if (m := name.partition(" in ")[2])} == set(alone)
    plain = [n for n in found.moved if " in " not in n]
    assert plain
    for number, row in enumerate(found.rows):
        for name in plain:
            assert {signature(s.rows[number].verdicts.get(name)) for s in alone.values()} == {
                signature(row.verdicts[name])
            }
    for number, row in enumerate(found.rows):
        assert row.worst == min(s.rows[number].worst for s in alone.values())


def test_two_ways_the_worst_mode_of_each_cell(pump: Stage) -> None:
    first, second = axis(pump, "SENSE.MIDDLE"), axis(pump, "adc.sampling", "150..250ns", 2)
    found = grid_over_modes(pump, first, second)
    alone = [grid(s, first, second) for s in states(pump).values()]
    for row, cells in enumerate(found.cells):
        for column, cell in enumerate(cells):
            each = [g.cells[row][column] for g in alone]
            assert cell.worst == min(c.worst for c in each if c.worst is not None)
            assert cell.fails == sum(c.fails for c in each)
