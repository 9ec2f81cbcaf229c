"""Sampling over duty: one, two and three shunts against every angle of a rotating vector; slew rate and common mode."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from regmap.calc import Inputs, run
from regmap.calc.sampling import both_states
from regmap.calc.shortcircuit import between_points

Build = Callable[..., Inputs]


def value(inputs: Inputs, name: str) -> float:
    (verdict,) = run(inputs, [name])
    assert verdict.value is not None, verdict.missing
    return float(verdict.value.typ)


@pytest.mark.parametrize("m", [0.05, 0.2, 0.5, 0.8, 1.0, 2 / math.sqrt(3)])
@pytest.mark.parametrize("shortest", [0.5e-6, 2e-6, 6e-6])
def test_the_longest_pair_of_states_over_all_angles(m: float, shortest: float) -> None:
    """Three centred duties at 3600 angles; each state as long as the larger of its own and the shortest."""
    half = 25e-6
    angle = np.arange(3600) * 2 * math.pi / 3600
    phases = np.array([m / 2 * np.cos(angle - k * 2 * math.pi / 3) for k in range(3)])
    duties = np.sort(0.5 + phases - (phases.max(axis=0) + phases.min(axis=0)) / 2, axis=0)
    states = np.diff(duties, axis=0) * half
    longest = float(np.maximum(states, shortest).sum(axis=0).max())
    assert both_states(tmin=shortest, m=m, h=half) == pytest.approx(longest, rel=1e-6)


ONE = {
    "stage___shunt__arrangement": "one in the DC link",
    "stage___adc__reconstruction": "shifted edges",
}


def test_a_single_shunt_needs_shifted_edges(build: Build) -> None:
    (without,) = run(build(**{**ONE, "stage___adc__reconstruction": "none"}), ["sense.one-shunt"])
    assert without.status == "fails"
    assert "adc.reconstruction: shifted edges" in without.reason
    slow = build(**ONE, stage___pwm__frequency="5 kHz", stage___motor__modulation="80 %")
    (holds,) = run(slow, ["sense.one-shunt"])
    assert holds.status == "holds"
    (fails,) = run(build(**ONE, stage___pwm__frequency="60 kHz"), ["sense.one-shunt"])
    assert fails.status == "fails"
    # its windows are its own: the low-side on-time says nothing of them
    assert run(slow, ["sense.settling"]) == []
    assert run(build(), ["sense.one-shunt"]) == []


def test_two_shunts_cannot_do_without_either(build: Build) -> None:
    """With two shunts the phase of the highest duty may be one of both: it has to be read."""
    full = {"stage___pwm__duty__max": "100 %", "stage___adc__reconstruction": "two of three"}
    (three,) = run(build(**full), ["sense.settling"])
    (two,) = run(build(**full, stage___shunt__arrangement="in two phases"), ["sense.settling"])
    assert three.value is not None
    assert two.status == "fails"
    assert "never read" in two.reason


def test_the_slew_rate_by_hand(build: Build) -> None:
    """20 x 1 mohm x 47.5 A = 0.95 V at 3 V/us are 317 ns on top of the settling."""
    (slew,) = run(build(), ["sense.slew"])
    (settle,) = run(
        build(stage___adc__trigger="end", stage___adc__sampling="1 ns"), ["sense.settling"]
    )
    assert slew.lower is not None
    assert settle.lower is not None
    difference = float(slew.lower.typ) - float(settle.lower.typ) + 1e-9
    assert difference == pytest.approx(0.95 / 3e6, rel=1e-6)


def test_the_inputs_by_hand(build: Build) -> None:
    inputs = build(
        ("stage:shunt.inductance",),
        stage___motor__current__peak="50 A",
        stage___shunt__resistance="2 mohm",
        chip___sense__common_mode="-90..200 mV",
    )
    (verdict,) = run(inputs, ["sense.common-mode"])
    assert verdict.status == "fails"
    assert verdict.margin == pytest.approx(-0.01)
    # L di/dt comes on top, for either sign
    (spiked,) = run(
        build(
            stage___motor__current__peak="50 A",
            stage___shunt__resistance="2 mohm",
            stage___shunt__inductance="1 nH",
            chip___sense__common_mode="-90..200 mV",
        ),
        ["sense.common-mode"],
    )
    assert spiked.margin is not None
    assert spiked.margin < -0.1
    assert run(build(("chip:sense.common_mode",)), ["sense.common-mode"]) == []


def test_a_calibration_takes_off_what_was_there(build: Build) -> None:
    """Only the drift since then is left: 3 uV/K over the board's 125 K."""
    (whole,) = run(build(), ["sense.error"])
    (left,) = run(build(stage___adc__calibration="at zero current"), ["sense.error"])
    offset = next(v for v in left.variables() if v.symbol == "Voff")
    assert offset.high == pytest.approx(3e-6 * 125)
    assert whole.margin is not None
    assert left.margin is not None
    assert left.margin > whole.margin
    assert any("offset drift since calibration" in line for line in left.steps)


def test_a_second_point_of_the_safe_area(build: Build) -> None:
    """Both points lie on the line, and half way on its logarithmic scale lies the geometric mean."""
    points = {"i1": 300.0, "t1": 10e-6, "i2": 75.0, "t2": 1e-3}
    assert between_points(**points, t=10e-6) == pytest.approx(300)
    assert between_points(**points, t=1e-3) == pytest.approx(75)
    assert between_points(**points, t=100e-6) == pytest.approx(150)
    assert between_points(**points, t=1e-6) == pytest.approx(300)
    (one,) = run(build(), ["vds.safe-area.high"])
    (two,) = run(
        build(stage___mosfet__soa__long_current="100 A", stage___mosfet__soa__long_time="100 us"),
        ["vds.safe-area.high"],
    )
    assert one.upper is not None
    assert two.upper is not None
    assert float(one.upper.typ) != pytest.approx(float(two.upper.typ))


def test_the_compensation_leaves_the_tolerances(build: Build) -> None:
    """A compensation of the typical error leaves nothing at typ; its knee is 2 Qoss / td."""
    (raw,) = run(build(), ["deadtime.voltage-error"])
    assert raw.value is not None
    error = float(raw.value.typ) / 20e3
    (left,) = run(
        build(stage___pwm__compensation=f"{error * 1e9:.6f} ns"), ["deadtime.compensated"]
    )
    assert left.value is not None
    assert float(left.value.typ) == pytest.approx(0, abs=1e-8)
    assert left.value.high == pytest.approx(raw.value.high - float(raw.value.typ), rel=0.05)
    (knee,) = run(
        build(stage___mosfet__qoss="45 nC", stage___pwm__compensation_current="2 A"),
        ["deadtime.compensation-knee"],
    )
    assert knee.value is not None
    assert float(knee.value.typ) == pytest.approx(2 * 45e-9 / 900e-9)
