"""Faults that a configuration only reports: who handles them, in what time, and who says so."""

from __future__ import annotations

import pytest

from regmap.assessment.propose import propose
from regmap.assessment.stage import assess, timing_of, with_settings
from regmap.behaviour.faults import explain
from regmap.behaviour.machine import Machine
from regmap.cheader import Options, generate
from regmap.chip.bank import Bank
from regmap.maps.load import find_document, load_map, read_map
from regmap.stages.load import load_stage, read_stage

#: every fault of the bundled maps whose monitor has a mode that only reports, from their summaries
MODES = {
    "quoll16": {
        **dict.fromkeys(
            ("VDS_UH", "VDS_UL", "VDS_VH", "VDS_VL", "VDS_WH", "VDS_WL"), "MODE.VDS_ACT == report"
        ),
        **dict.fromkeys(("OC_U", "OC_V", "OC_W"), "MODE.OC_ACT == report"),
        "WD": "WATCHDOG.ACTION == report",
    },
    "numbat24": {
        **dict.fromkeys(
            ("VDS_UH", "VDS_UL", "VDS_VH", "VDS_VL", "VDS_WH", "VDS_WL"), "REACTION.VDS == report"
        ),
        **dict.fromkeys(("OC_U", "OC_V", "OC_W"), "REACTION.OC == report"),
        "OV_SUPPLY": "REACTION.OV == report",
        "WD": "WATCHDOG.ACTION == report",
    },
    "bilby32": dict.fromkeys(
        ("VDS_UH", "VDS_UL", "VDS_VH", "VDS_VL", "VDS_WH", "VDS_WL", "VDS_SEVERAL"),
        "VDS.REACT == report",
    ),
    "wombat24": {},
    "potoroo40": {},
}
MODES["quokka16"] = {n: w for n, w in MODES["quoll16"].items() if n != "WD"}


@pytest.mark.parametrize("name", MODES)
def test_every_mode_that_only_reports_is_in_the_map(name: str) -> None:
    chip = load_map(name)
    found = {
        f.name: str(f.reported_only_when)
        for f in chip.faults.values()
        if f.reported_only_when is not None
    }
    assert found == MODES[name]


def test_the_controller_handles_it_after_a_poll() -> None:
    """By hand: detection 0.3 us, blanking 2.2 us, filter 1.15 us, poll 1 ms of a
    clock 2 % slow, three frames of 16 bits, controller 100 us; the chip's 1 us is gone."""
    stage = load_stage("coolant_pump")
    name = "reaction.time.VDS_UH"
    (acting,) = assess(stage, names=[name]).verdicts
    assert acting.value is not None
    assert acting.value.high == pytest.approx(0.3e-6 + 2.2e-6 + 1.15e-6 + 1e-6)
    reporting = with_settings(stage, {"MODE.VDS_ACT": "report"})
    (told,) = assess(reporting, names=[name]).verdicts
    assert told.value is not None
    spi = 3 * (16 / (5e6 * 0.98) + 60e-9 + 40e-9 + 350e-9)
    assert told.value.high == pytest.approx(0.3e-6 + 2.2e-6 + 1.15e-6 + 1.02e-3 + spi + 100e-6)
    assert told.title.endswith("(reported only)")
    assert any(
        "only reported while MODE.VDS_ACT == report: the chip does not act" in s for s in told.steps
    )
    assert {"stage:poll.period", "stage:controller.reaction"} <= set(told.asked)
    masked = next(v for v in assess(reporting).verdicts if v.check == "reaction.masked")
    assert masked.status == "holds"
    assert any("VDS_WL is only reported" in s for s in masked.steps)


def test_by_the_fault_pin_where_the_map_says_so() -> None:
    path = find_document("quoll16")
    text = path.read_text().replace(
        "    reported_only_when: MODE.VDS_ACT == report\n",
        "    reported_only_when: MODE.VDS_ACT == report\n    handled_by: pin\n",
        1,
    )
    chip, problems = read_map(path.with_name("pin_of_a_test.yaml"), text=text)
    assert chip is not None, problems
    bank = Bank.at_reset(chip)
    bank.learn("MODE", 0, 3 << 2)
    assert timing_of(chip.faults["VDS_UH"], chip, bank).how == "pin"
    assert timing_of(chip.faults["VDS_UL"], chip, bank).how == "poll"
    bank.learn("MODE", 2 << 2, 3 << 2)
    assert timing_of(chip.faults["VDS_UL"], chip, bank).how == "chip"


def test_a_watchdog_cannot_report_to_the_controller_that_hangs() -> None:
    stage = with_settings(load_stage("coolant_pump"), {"WATCHDOG.ACTION": "report"})
    (verdict,) = assess(stage, names=["reaction.time.WD"]).verdicts
    assert verdict.status == "fails"
    assert "the very controller that has failed" in verdict.reason


def test_explain_says_that_the_chip_does_not_act() -> None:
    stage = load_stage("coolant_pump")
    acting = explain(stage.chip, {"STATUS1": 0x009}, stage.bank)
    assert not acting.reported
    assert not acting.findings[0].reported_only
    stage = with_settings(stage, {"MODE.VDS_ACT": "report"})
    result = explain(stage.chip, {"STATUS1": 0x009}, stage.bank)
    assert result.findings[0].reported_only
    assert {f.name for f in result.reported} == {
        "VDS_UH",
        "VDS_UL",
        "VDS_VH",
        "VDS_VL",
        "VDS_WH",
        "VDS_WL",
    }
    # without a known configuration nothing is claimed
    assert not explain(stage.chip, {"STATUS1": 0x009}).findings[0].reported_only


def test_the_header_says_it_beside_the_fault() -> None:
    made = generate(load_map("quoll16"), Options(prefix="gd"))
    text = made.header + (made.source or "")
    assert text.count("only reported while MODE.VDS_ACT == report: the chip does not act") == 6


def test_a_simulated_chip_reports_it_as_any_other() -> None:
    machine = Machine(load_map("quoll16"))
    machine.bank.learn("MODE", 0, 3 << 2)
    machine.conditions.add("VDS_UH")
    machine.settle()
    assert machine.raised(machine.chip.faults["VDS_UH"])


def test_proposals_let_the_chip_act() -> None:
    """Within 1 ms a poll every millisecond comes too late; the chip itself does not."""
    path = find_document("coolant_pump")
    text = path.read_text().replace("safety.ftti: 200 ms", "safety.ftti: 1 ms")
    text = text.replace("VDS_ACT: latch", "VDS_ACT: report").replace(
        "OC_ACT: latch", "OC_ACT: report"
    )
    stage, problems = read_stage(path.with_name("stage_of_a_test.yaml"), text=text)
    assert stage is not None, problems
    goals = ["reaction.time.VDS_UH", "reaction.time.OC_U"]
    assert {v.status for v in assess(stage, names=goals).verdicts} == {"fails"}
    result = propose(stage, goals=goals)
    chosen = {p.name: p.new.name for p in result.picks}
    assert chosen["MODE.VDS_ACT"] in ("latch", "retry")
    assert chosen["MODE.OC_ACT"] in ("latch", "retry")
    assert result.feasible
