"""Cyclic readback: what it costs on the SPI, and how late it notices a lost setting."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from regmap.assessment.stage import facts_of
from regmap.calc import Inputs, run
from regmap.stages.load import load_stage, read_stage

Build = Callable[..., Inputs]
EXACT = {
    "stage___controller__clock_tolerance": "0 %",
    "stage___spi__clock": "5 MHz",
    "chip___spi__lead": "50 ns",
    "chip___spi__lag": "50 ns",
    "chip___spi__idle": "500 ns",
    "stage___poll__period": "1 ms",
    "stage___readback__period": "3 ms",
    "stage___controller__reaction": "100 us",
}


def test_load_and_time_by_hand(build: Build) -> None:
    found = {v.check: v.value for v in run(build(**EXACT), ["spi.load", "reaction.configuration"])}
    frame = 24 / 5e6 + 0.6e-6  # 5.4 us: the bits, then lead, lag and pause
    load, time = found["spi.load"], found["reaction.configuration"]
    assert load is not None
    assert time is not None
    # 5 status registers and 12 of settings, each job one frame longer for the reply of the last
    assert load.typ == pytest.approx(6 * frame / 1e-3 + 13 * frame / 3e-3)
    assert time.typ == pytest.approx(3e-3 + 13 * frame + 100e-6)
    left = build(("stage:readback.period",))
    assert run(left, ["spi.load", "reaction.configuration"]) == []


def test_the_actuators_part_counts_after_every_reaction(build: Build) -> None:
    """Detection, software and actuator each have a part of the fault tolerant time (ISO 26262-1:2018, 3.55 to 3.61)."""
    names = ["reaction.time", "reaction.configuration"]
    exact = {**EXACT, "stage___safety__ftti": "20 ms"}
    without = {v.check: v for v in run(build(**exact), names)}
    there = build(**exact, stage___actuator__reaction="8 / 10 / 12 ms")
    for verdict in run(there, names):
        if "masked" in verdict.reason:  # which no time helps
            continue
        before = without[verdict.check]
        assert verdict.value is not None
        assert before.value is not None
        assert verdict.value.typ == pytest.approx(before.value.typ + 10e-3)
        assert verdict.value.high == pytest.approx(before.value.high + 12e-3)
        assert "t_act" in {v.symbol for v in verdict.inputs}
    # what the chip reacts to by itself and what the controller does, and each misses the goal by it alone
    told = {v.check: v.status for v in run(there, names)}
    assert told["reaction.time.VDS_UH"] == told["reaction.configuration"] == "holds"
    late = build(**exact, stage___actuator__reaction="21 ms")
    told = {v.check: v.status for v in run(late, names)}
    assert set(told.values()) == {"fails"}


def test_a_setting_lost_at_the_worst_moment(build: Build) -> None:
    """A controller that reads 12 registers in a row every 3 ms; a setting flips just after its read."""
    (verdict,) = run(build(**EXACT), ["reaction.configuration"])
    assert verdict.value is not None
    frame = 5.4e-6
    worst = 0.0
    for register in range(12):
        lost = (register + 1) * frame  # the end of its read in the first round
        seen = 3e-3 + 13 * frame  # the round is judged when it is over
        worst = max(worst, seen - lost + 100e-6)
    assert worst <= verdict.value.high
    assert verdict.value.high - worst <= 2 * frame


@pytest.mark.parametrize(
    ("name", "count"), [("conveyor_drum", 19), ("coolant_pump", 9), ("radiator_fan", 11)]
)
def test_the_registers_of_settings_are_those_of_the_map(name: str, count: int) -> None:
    """Counted in the maps' text: registers with a field that a stage may set and a read shows."""
    stage = load_stage(name)
    assert facts_of(stage, stage.bank).setting_registers == count


def test_a_readback_on_another_page_selects_it_and_goes_back() -> None:
    """Of potoroo40 the status registers stand on page 0 and the settings on page 1 or on none."""
    text = "gateword_stage: 1\nstage: {name: t}\nmap: potoroo40\n"
    stage, problems = read_stage("s.yaml", text=text)
    assert stage is not None, problems
    facts = facts_of(stage, stage.bank)
    pages = {r.page for r in stage.chip.registers.values() if r.read_back}
    assert pages == {1, None}
    # to page 1 and back to page 0; its replies come as late as those of the poll
    assert facts.extra_setting_frames - facts.extra_frames == 2
