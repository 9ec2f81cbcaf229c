"""SPFM, LFM and PMHF: a published example, figures by hand, and the link to the chip's faults."""

from __future__ import annotations

from pathlib import Path

import pytest

from regmap.assessment.stage import facts_of
from regmap.calc import Facts, FailureMode, Input, Inputs, Verdict, run
from regmap.chip.bank import need
from regmap.chip.values import options
from regmap.quantity import parse_band
from regmap.stages.load import read_stage

PUMP = Path(__file__).parents[2] / "devices" / "coolant_pump.yaml"


def mode(name: str, fit: str, safe: str = "0 %", dc: str = "0 %", dcl: str = "0 %") -> FailureMode:
    return FailureMode(
        name=name,
        rate=parse_band(fit, "failure rate"),
        safe=parse_band(safe, "percent"),
        coverage=parse_band(dc, "percent"),
        latent_coverage=parse_band(dcl, "percent"),
    )


def judged(*modes: FailureMode, life: str = "417 d") -> dict[str, Verdict]:
    table = {
        "stage:limits.spfm": ("99 %", "percent"),
        "stage:limits.lfm": ("90 %", "percent"),
        "stage:limits.pmhf": ("10 FIT", "failure rate"),
        "stage:safety.lifetime": (life, "duration"),
    }
    inputs = [Input(name, parse_band(text, dim), "test") for name, (text, dim) in table.items()]
    return {v.check: v for v in run(Inputs(inputs, Facts(failure_modes=modes)), ["safety"])}


def value(verdict: Verdict) -> float:
    assert verdict.value is not None
    return float(verdict.value.typ)


def test_the_published_example_of_a_torque_sensor() -> None:
    """A published tutorial on ISO 26262-5 (read): 160 FIT, of which 5.6 are left, SPFM 96.5 %."""
    found = judged(
        mode("sensor_a", "50 FIT", dc="97 %"),
        mode("sensor_b", "50 FIT", dc="97 %"),
        mode("adc", "20 FIT", dc="95 %"),
        mode("monitor", "10 FIT", dc="99 %"),
        mode("supply", "30 FIT", dc="95 %"),
    )
    assert value(found["safety.spfm"]) == pytest.approx(0.965, abs=5e-5)
    assert found["safety.spfm"].status == "fails"
    residual = found["safety.spfm"].value
    assert residual is not None
    assert residual.args["rf"].text() == "5.6 FIT"


def test_all_three_by_hand() -> None:
    found = judged(
        mode("gate_driver", "40 FIT", safe="50 %", dc="99 %", dcl="90 %"),
        mode("shunt", "10 FIT", dc="90 %", dcl="60 %"),
    )
    # residual 20 * 1 % + 10 * 10 %; covered 19.8 + 9; latent 1.98 + 3.6
    assert value(found["safety.spfm"]) == pytest.approx(1 - 1.2 / 50)
    assert value(found["safety.lfm"]) == pytest.approx(1 - 5.58 / (50 - 1.2))
    hours = 417 * 24
    fit = 1 / 3600e9
    assert value(found["safety.pmhf"]) == pytest.approx((1.2 + 5.58 * 28.8e-9 * hours) * fit)
    assert found["safety.pmhf"].status == "holds"


def test_a_band_of_a_rate_is_one_value_in_both_sums() -> None:
    """By hand at both ends: with 10..30 FIT uncovered beside 100 FIT covered whole."""
    found = judged(mode("a", "10..30 FIT"), mode("b", "100 FIT", dc="100 %"))
    band = found["safety.spfm"].value
    assert band is not None
    assert (band.low, band.high) == pytest.approx((1 - 30 / 130, 1 - 10 / 110))


def test_without_modes_nothing_is_asked() -> None:
    assert judged() == {}


def stage(extra: str) -> Facts:
    text = PUMP.read_text(encoding="utf-8") + extra
    made, problems = read_stage(PUMP, text=text)
    assert made is not None, problems
    return facts_of(made, made.bank)


MODES = """
failure_modes:
  high_switch_shorted: {rate: 12 FIT, coverage: 99 %, covered_by: [VDS_UH, VDS_UL]}
  shunt_open: {rate: 3 FIT, safe: 20 %}
"""


def test_a_stage_states_them_and_a_masked_fault_covers_nothing() -> None:
    first, second = stage(MODES).failure_modes
    assert (first.name, first.covered_by, first.uncovered) == (
        "high_switch_shorted",
        ("VDS_UH", "VDS_UL"),
        "",
    )
    assert second.coverage.high == 0
    covered = judged(first, second)["safety.spfm"]
    assert value(covered) == pytest.approx(1 - (12 * 0.01 + 3 * 0.8) / 15)
    made, _ = read_stage(PUMP, text=PUMP.read_text(encoding="utf-8") + MODES)
    assert made is not None
    bank = made.bank.copy()
    act = need(made.chip, "MODE.VDS_ACT")
    [off] = [reading.code for reading in options(act) if reading.name == "off"]
    bank.put(act, off)
    hidden = facts_of(made, bank).failure_modes[0].uncovered
    assert "VDS_U" in hidden
    assert "masked by" in hidden
    masked = judged(facts_of(made, bank).failure_modes[0], second)["safety.spfm"]
    assert value(masked) == pytest.approx(1 - (12 + 3 * 0.8) / 15)
    assert any("counts nothing" in str(note) for note in masked.extra)


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("a: {rate: 12 FIT, covered_by: VDS_UX}", "quoll16 has no fault 'VDS_UX'"),
        ("a: {rate: 12 FIT, coverage: 120 %}", "coverage above 100 %"),
        ("a: {coverage: 12 %}", "rate"),
        ("a: {rate: 12 W}", "power"),
        ("a: {rate: 12 FIT, saef: 1 %}", "nearest: safe"),
    ],
)
def test_what_cannot_be_is_told_at_its_line(line: str, words: str) -> None:
    head = "gateword_stage: 1\nstage: {name: t}\nmap: quoll16\nfailure_modes:\n  "
    problems = read_stage("s.yaml", text=head + line + "\n")[1]
    assert any(words in str(p) and str(p).startswith("s.yaml:5:") for p in problems), problems
