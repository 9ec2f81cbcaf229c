"""Gate currents in steps, adjusted by the chip, and dead time by handshake, against charge counted out."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from scipy import integrate

from regmap.assessment.stage import inputs_of
from regmap.calc import Input, Inputs, Verdict, run
from regmap.calc.device import gate_drain
from regmap.calc.period import timeline
from regmap.calc.periodplot import period
from regmap.calc.spice import bridge, deck
from regmap.calc.steps import stepped_time
from regmap.parameters import NOT_KNOWN
from regmap.record import replace
from regmap.stages.load import load_stage
from tests.calc import judge

Build = Callable[..., Inputs]
STEPS = {
    "role___gate__precharge": "200 mA",
    "role___gate__precharge_time": "40 ns",
    "role___gate__source": "60 mA",
    "role___gate__source_time": "300 ns",
    "role___gate__after_source": "150 mA",
    "role___gate__predischarge": "250 mA",
    "role___gate__predischarge_time": "80 ns",
    "role___gate__sink": "120 mA",
    "role___gate__sink_time": "200 ns",
    "role___gate__after_sink": "200 mA",
    "stage___mosfet__qg": "60 nC",
    "stage___mosfet__qgs": "14 nC",
    "stage___mosfet__qgd": "12 nC",
    "stage___mosfet__vth": "2.8 V",
    "stage___mosfet__plateau": "4.6 V",
    "stage___gate__resistor__pulldown": "100 kohm",
}


def one(inputs: Inputs, name: str) -> Verdict:
    (verdict,) = run(inputs, [name])
    return verdict


def typ(verdict: Verdict) -> float:
    assert verdict.value is not None
    return float(verdict.value.typ)


def counted(charge: float, course: list[tuple[float, float]], step: float = 1e-12) -> float:
    """When a charge has been moved, counted out in picoseconds."""
    times = np.arange(0, 1e-6, step)
    ends = [end for _, end in course]
    flowing = np.array([i for i, _ in course])[np.searchsorted(ends, times, side="right")]
    return float(times[np.argmax(np.cumsum(flowing * step) >= charge)] + step)


@pytest.mark.parametrize("charge", [1e-9, 7.9e-9, 8.1e-9, 20e-9, 25.9e-9, 26.1e-9, 60e-9])
def test_time_of_a_charge_is_what_counting_gives(charge: float) -> None:
    found = stepped_time(q=charge, i1=0.2, t1=40e-9, i2=0.06, t2=300e-9, i3=0.15)
    course = [(0.2, 40e-9), (0.06, 340e-9), (0.15, float("inf"))]
    assert found == pytest.approx(counted(charge, course), abs=3e-12)


def test_phases_lie_where_the_charge_says(build: Build) -> None:
    inputs = build((), **STEPS)
    on = [(0.2, 40e-9), (0.06, 340e-9), (0.15, float("inf"))]
    off = [(0.25, 80e-9), (0.12, 280e-9), (0.2, float("inf"))]
    edge = counted(26e-9, on) - counted(14e-9, on)
    assert typ(one(inputs, "gate.rise-time.low")) == pytest.approx(edge, abs=1e-11)
    fall = counted(46e-9, off) - counted(34e-9, off)
    assert typ(one(inputs, "gate.fall-time.low")) == pytest.approx(fall, abs=1e-11)
    slower = max(counted(60e-9, on), counted(60e-9, off))
    assert typ(one(inputs, "gate.drive-time.low")) == pytest.approx(slower, abs=1e-11)


def test_a_pre_charge_that_is_too_long_makes_the_edge_steep(build: Build) -> None:
    """40 ns move 8 nC, before the threshold; 80 ns move 16 nC, which lies in the voltage edge."""
    calm = {**STEPS, "role___gate__source_time": "400 ns", "role___gate__sink_time": "300 ns"}
    fine = one(build((), **calm), "gate.dvdt.low")
    long = one(build((), **{**calm, "role___gate__precharge_time": "80 ns"}), "gate.dvdt.low")
    assert typ(long) > 1.2 * typ(fine)
    # and one that ends before the edge moves nothing but the delay
    short = one(build((), **{**calm, "role___gate__precharge_time": "20 ns"}), "gate.dvdt.low")
    assert typ(short) == typ(fine)


def test_turn_on_and_turn_off_are_set_apart(build: Build) -> None:
    slow = {**STEPS, "role___gate__sink": "80 mA"}
    for name, moved in (("gate.rise-time.low", False), ("gate.fall-time.low", True)):
        before, after = (typ(one(build((), **s), name)) for s in (STEPS, slow))
        assert (before != after) is moved


def test_the_chip_adjusts_delay_and_slope(build: Build) -> None:
    wanted = {
        **STEPS,
        "role___gate__adjust": 1,
        "role___gate__delay_on": "100 ns",
        "role___gate__delay_off": "200 ns",
        "role___gate__slew": "100 V/us",
        "chip___gate__adjustment__min": "10 mA",
        "chip___gate__adjustment__max": "300 mA",
        "stage___supply__voltage": "12 V",
    }
    inputs = build((), **wanted)
    assert typ(one(inputs, "gate.rise-time.low")) == pytest.approx(120e-9)
    # 14 nC in 100 ns, 34 nC in 200 ns, 12 nC in 120 ns
    for name, need in (("on", 0.14), ("off", 0.17), ("slew", 0.1)):
        verdict = one(inputs, f"gate.adjusted-{name}.low")
        assert typ(verdict) == pytest.approx(need)
        assert verdict.status == "holds"
    # the drain current rises within the delay, at its 140 mA and not at the 100 mA of the voltage edge:
    # 2 Ipk Ig / (Vov Cgs), Cgs = 14 nC / 4.6 V
    bare = build(("stage:bridge.inductance",), **{**wanted, "stage___motor__current__peak": "40 A"})
    slope = 2 * 40 * 0.14 / (1.8 * 14e-9 / 4.6)
    assert typ(one(bare, "gate.didt.low")) == pytest.approx(slope)
    weak = build((), **{**wanted, "chip___gate__adjustment__max": "150 mA"})
    assert one(weak, "gate.adjusted-off.low").status == "fails"
    assert one(weak, "gate.adjusted-off.low").worst_max
    off = build((), **{**wanted, "role___gate__adjust": 0})
    assert run(off, ["gate.adjusted-on.low"]) == []
    assert typ(one(off, "gate.rise-time.low")) != pytest.approx(120e-9)


def test_handshake_follows_the_mosfet(build: Build) -> None:
    """A fixed dead time fails with a larger MOSFET; one by handshake grows with it."""
    fixed = {"role___deadtime": "300 ns", "stage___pwm__deadtime": "100 ns"}
    shaken = {
        **fixed,
        "role___deadtime__handshake": 1,
        "role___deadtime__handshake_level": "0.9..1.1 V",
    }
    large = {"stage___mosfet__qg": "150 / 200 / 240 nC"}
    assert one(build((), **fixed, **large), "deadtime.enough.low").status == "fails"
    verdict = one(build((), **shaken, **large), "deadtime.enough.low")
    assert verdict.status in ("holds", "low_margin")
    # until the gate is at 1 V: delay and edge at 120 mA, then the gate's own capacitance
    gate = build((), **STEPS, **{**shaken, "role___deadtime__handshake_level": "1 V"})
    found = one(gate, "deadtime.enough.low").value
    assert found is not None
    off = [(0.25, 80e-9), (0.12, 280e-9), (0.2, float("inf"))]
    down = counted(34e-9 + 12e-9 + 14e-9 * (1 - 1 / 4.6), off)
    seen = next(v for v in found.tree() if v.symbol == "t_gate,off")
    assert float(seen.typ) == pytest.approx(down, abs=1e-11)


def test_handshake_on_the_drain_waits_for_the_edge_or_the_time_out(build: Build) -> None:
    """Until the drain is at 2 V: the charge beyond the plateau and that of Cgd up to there, at 120 mA.

    Cgd falls as 1 / sqrt(V) at 13.5 V: Crss = 12 nC / 27 V, the excess over V / 8 spread as the model has it.
    """
    shaken = {
        "role___gate__sink": "120 mA",
        "role___deadtime": "500 ns",
        "stage___pwm__deadtime": "100 ns",
        "role___deadtime__handshake": 1,
        "role___deadtime__handshake_drain": "2 V",
        "chip___deadtime_handshake_timeout": "3 us",
    }
    verdict = one(build((), **shaken), "deadtime.enough.low")
    assert verdict.value is not None
    seen = next(v for v in verdict.value.tree() if v.symbol == "t_drain,off")
    charge, _ = integrate.quad(lambda v: gate_drain(v, 12e-9, 12e-9 / 27, 13.5), 0, 2)
    assert float(seen.typ) == pytest.approx((34e-9 + charge) / 0.12, rel=1e-6)
    # out of its diode nothing moves the drain: the time-out and the fixed part
    assert verdict.value.high == pytest.approx(3.5e-6)
    # the fixed part has to cover the rest of the edge and the fall of the current
    short = one(build((), **{**shaken, "role___deadtime": "1 ns"}), "deadtime.enough.low")
    assert short.status == "fails"
    assert run(build((), **shaken), ["deadtime.handshake"]) == []
    # a chip that gives up before the edge is no better than its time-out
    hasty = build((), **{**shaken, "chip___deadtime_handshake_timeout": "100 ns"})
    assert one(hasty, "deadtime.enough.low").value.high == pytest.approx(600e-9)


def test_an_option_without_a_number_leaves_the_handshake_at_the_gate(build: Build) -> None:
    """A chip whose field selects what is looked at: a drain voltage, or `gate`, which is none."""
    gate = {
        "role___deadtime": "500 ns",
        "role___deadtime__handshake": 1,
        "role___deadtime__handshake_level": "0.3..0.4 V",
    }

    def reads(value: str) -> Inputs:
        made = build((), **{**gate, "chip___deadtime_handshake_timeout": "3 us"})
        return made.with_values([Input("role:deadtime.handshake_drain", value, "map x, code 0")])

    selected = reads("gate")
    for check in ("deadtime.enough.low", "deadtime.handshake.low", "deadtime.voltage-error"):
        one_way, other = one(build((), **gate), check), one(selected, check)
        assert other.missing == one_way.missing == (), check
        assert other.value is not None
        assert one_way.value is not None
        assert (other.status, other.value.high) == (one_way.status, one_way.value.high), check
    # a register whose contents nobody knows decides nothing
    assert one(reads(NOT_KNOWN), "deadtime.enough.low").status == "not_computed"


def test_a_shipped_stage_waits_for_the_gate_and_one_for_the_drain() -> None:
    """The maps and stages are invented; both ways of a handshake are computed in one of them."""
    for side in ("low", "high"):
        names = [f"deadtime.enough.{side}", f"deadtime.handshake.{side}"]
        waits, level = run(inputs_of(load_stage("radiator_fan")), names)
        assert waits.value is not None
        assert "t_gate,off" in {v.symbol for v in waits.value.tree()}
        assert (level.status, level.missing) == ("holds", ())
        (drain,) = run(inputs_of(load_stage("fan_second_source")), names)
        assert drain.value is not None
        found = {v.symbol: v for v in drain.value.tree()}
        assert "t_gate,off" not in found
        # what its data sheet states at 30 V, met at 24 V: within what Cgd holds up to 4 V and the slope kept
        assert 0 < found["t_level"].typ < found["t_vds"].typ
        # current in the switch's own diode: time-out and fixed part (1.1 us, 350 ns + 15 %)
        assert drain.value.high == pytest.approx(1.1e-6 + 402.5e-9)
        assert drain.status in ("holds", "low_margin")


def test_a_level_above_the_threshold_is_no_handshake(build: Build) -> None:
    shaken = {"role___deadtime__handshake": 1, "role___deadtime__handshake_level": "0.3..0.4 V"}
    assert one(build((), **shaken), "deadtime.handshake.low").status == "holds"
    high = {**shaken, "role___deadtime__handshake_level": "2 V"}
    assert one(build((), **high), "deadtime.handshake.low").status == "fails"
    # behind a gate resistor the gate itself is higher than the pin
    behind = {**shaken, "stage___gate__resistor__off": "10 ohm"}
    assert one(build((), **behind), "deadtime.handshake.low").status == "fails"
    assert run(build(), ["deadtime.handshake"]) == []


def test_the_timeline_shows_the_steps(build: Build) -> None:
    names = [i.name for i in timeline(build((), **STEPS), "low").instants]
    assert names.index("pre-charge over") < names.index("current edge over")
    assert names.index("edge current over") > names.index("gate charge starts")
    assert names.index("pre-discharge over") > names.index("gate discharge starts")
    assert "pre-charge over" in period(build((), **STEPS), "low")


def test_the_deck_has_the_steps(
    build: Build, need_tool: Callable[[str], str], tmp_path: Path
) -> None:
    """ngspice runs the staircase: the plateau begins when the charge has been moved."""
    need_tool("ngspice")
    inputs = build((), **STEPS, stage___mosfet__internal_resistance="0.01 ohm")
    # without the loop's inductance, which takes of the drain voltage before the plateau
    item = replace(bridge(inputs, "low"), inductance=0.0)
    assert [i for i, _ in item.rising] == [0.2, 0.06, 0.15]
    text = deck(item, data="out.data")
    assert "Vup up 0 pwl(" in text
    t, gate, drain, *_ = judge.simulate(text, tmp_path)
    start = 0.1 * item.on_time
    begins = judge.crossing(t, drain, 0.97 * item.supply, rising=False) - start
    on = [(0.2, 40e-9), (0.06, 340e-9), (0.15, float("inf"))]
    assert begins == pytest.approx(counted(14e-9, on), rel=0.12)
    steep = np.gradient(gate, t)
    assert steep[(t > start + 5e-9) & (t < start + 35e-9)].mean() > 2.5 * (
        steep[(t > start + 50e-9) & (t < start + 80e-9)].mean()
    )
