"""DC link and shunt spike, against a modulator worked sample by sample and with a pencil."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from regmap.calc import Inputs, Verdict, run
from regmap.calc.dclink import capacitor_current, ripple

Build = Callable[..., Inputs]


def one(inputs: Inputs, name: str) -> Verdict:
    (verdict,) = run(inputs, [name])
    return verdict


def link_current(m: float, pf: float, carrier: int = 90, steps: int = 2000) -> np.ndarray:
    """Current into a sine-modulated bridge over one turn, 1 A peak in a phase: no formula at all."""
    count = carrier * steps
    turn = 2 * np.pi * (np.arange(count) + 0.5) / count
    # one value of the reference in each carrier period, triangular carrier
    held = 2 * np.pi * (np.arange(count) // steps + 0.5) / carrier
    triangle = 4 * np.abs((np.arange(count) % steps + 0.5) / steps - 0.5) - 1
    total = np.zeros(count)
    for phase in (0, 2 * np.pi / 3, 4 * np.pi / 3):
        on = m * np.cos(held - phase) > triangle
        total += on * np.cos(turn - phase - np.arccos(pf))
    return total


@pytest.mark.parametrize("m", [0.2, 0.5, 0.8, 1.0])
@pytest.mark.parametrize("pf", [0.3, 0.7, 0.95, 1.0])
def test_the_ripple_current_is_that_of_a_sampled_modulator(m: float, pf: float) -> None:
    current = link_current(m, pf)
    made = capacitor_current(i=1 / 2**0.5, m=m, pf=pf)
    assert made == pytest.approx(float(current.std()), rel=0.02)


@pytest.mark.parametrize("m", [0.1, 0.5, 0.9])
@pytest.mark.parametrize("pf", [0.0, 0.5, 1.0])
def test_the_voltage_ripple_bounds_that_of_a_sampled_modulator(m: float, pf: float) -> None:
    carrier, steps = 60, 200
    current = link_current(m, pf, carrier, steps).reshape(carrier, steps)
    # 1 F, a carrier period of 1 s: the charge that swings about each period's mean
    swing = np.cumsum(current - current.mean(axis=1, keepdims=True), axis=1) / steps
    worst = float((swing.max(axis=1) - swing.min(axis=1)).max())
    assert worst <= ripple(i=1.0, f=1.0, c=1.0, esr=0.0, pf=pf)


@pytest.mark.parametrize("pf", [0.0, 0.25, 0.5, 0.7, 0.9, 1.0])
def test_the_steps_in_the_esr_bound_those_of_a_modulator(pf: float) -> None:
    """At low power factor one period has currents of opposite phases: more than the peak current apart.

    A modulator that follows the sine within the period, unlike the sampled one above.
    """
    carrier, steps = 61, 1000  # no multiple of six: sectors change within periods
    angle = 2 * np.pi * np.arange(carrier * steps) / (carrier * steps)
    triangle = 4 * np.abs((np.arange(carrier * steps) % steps + 0.5) / steps - 0.5) - 1
    worst = 0.0
    for m in (0.3, 0.6, 0.95):
        link = np.zeros(carrier * steps)
        for lag in (0, 2 * np.pi / 3, 4 * np.pi / 3):
            on = m * np.cos(angle - lag) > triangle
            link += on * np.cos(angle - lag - np.arccos(pf))
        link = link.reshape(carrier, steps)
        worst = max(worst, float((link.max(axis=1) - link.min(axis=1)).max()))
    told = ripple(i=1.0, f=1.0, c=1e9, esr=1.0, pf=pf)
    # the angle goes on between the two steps: 6 degrees a period at 61 periods a turn
    assert 0.9 * told < worst <= 1.02 * told


@pytest.mark.parametrize(
    ("m", "pf"),
    [
        ((0, 100), (0, 100)),
        ((0, 110), (0, 100)),
        ((50, 100), (0, 100)),
        ((0, 100), (40, 70)),
        ((10, 90), (0, 95)),
        ((70, 115), (0, 100)),
        ((0, 30), (20, 100)),
    ],
)
def test_the_worst_ripple_current_is_that_of_a_grid_over_both(
    build: Build, m: tuple[int, int], pf: tuple[int, int]
) -> None:
    """J. W. Kolar, S. D. Round (2006): at unity power factor the highest stands at M = 0.61, with 0.65 Irms.

    Here over 1,001 modulations and 201 power factors, by the published formula once more.
    """
    at, cos = np.meshgrid(np.linspace(*m, 1001) / 100, np.linspace(*pf, 201) / 100)
    root3 = 3**0.5
    squares = 2 * at * (root3 / (4 * np.pi) + cos**2 * (root3 / np.pi - 9 * at / 16))
    highest = 20.0 * float(np.sqrt(squares.max()))
    verdict = one(
        build(
            stage___motor__modulation=f"{m[0]}..{m[1]} %",
            stage___motor__power_factor=f"{pf[0]}..{pf[1]} %",
            stage___motor__current__rms="20 A",
        ),
        "dclink.ripple-current",
    )
    assert verdict.value is not None
    assert verdict.value.high == pytest.approx(highest, rel=1e-5)
    assert verdict.value.high >= highest * (1 - 1e-12)
    if m[0] == pf[0] == 0 and m[1] == pf[1] == 100:
        assert verdict.value.high == pytest.approx(0.65 * 20.0, rel=1e-3)


def test_the_worst_modulation_is_found_between_its_ends(build: Build) -> None:
    inputs = build(
        stage___motor__modulation="20..110 %",
        stage___motor__power_factor="100 %",
        stage___motor__current__rms="10 A",
    )
    verdict = one(inputs, "dclink.ripple-current")
    assert verdict.value is not None
    best = max(capacitor_current(i=10.0, m=m / 1000, pf=1.0) for m in range(200, 1101))
    assert verdict.value.high == pytest.approx(best, rel=1e-5)
    # common practice: about 0.65 of the phase current at most
    assert verdict.value.high == pytest.approx(6.5, rel=0.01)
    assert run(build(("stage:dclink.ripple_current",)), ["dclink.ripple-current"]) == []


def test_the_voltage_ripple_by_hand(build: Build) -> None:
    inputs = build(
        stage___motor__current__peak="40 A",
        stage___pwm__frequency="20 kHz",
        stage___dclink__capacitor="500 uF",
        stage___dclink__esr="10 mohm",
    )
    verdict = one(inputs, "dclink.ripple-voltage")
    assert verdict.value is not None
    # 40 A for a quarter of 50 us into 500 uF is 1 V; 0.4 V in the ESR
    assert verdict.value.typ == pytest.approx(1.4)
    assert verdict.status == "holds"
    assert run(build(("stage:dclink.capacitor",)), ["dclink.ripple-voltage"]) == []


def test_the_filter_outlasts_the_spike_of_the_shunt(build: Build) -> None:
    verdict = one(build(role___overcurrent__filter="50 ns"), "overcurrent.outlasts-spike")
    assert verdict.lower is not None
    # 14 nC * 1.8 / 4.6 and the 12 nC of the plateau at 60 mA
    assert verdict.lower.typ == pytest.approx((14e-9 * 1.8 / 4.6 + 12e-9) / 60e-3)
    assert verdict.status == "fails"
    assert (
        one(build(role___overcurrent__filter="1 us"), "overcurrent.outlasts-spike").status
        == "holds"
    )
    assert run(build(("stage:shunt.inductance",)), ["overcurrent.outlasts-spike"]) == []


def test_heat_precharge_and_discharge_by_hand(build: Build) -> None:
    inputs = build(
        stage___supply__voltage="48 V",
        stage___dclink__capacitor="1 mF",
        stage___precharge__resistor="16 ohm",
        stage___precharge__time="80 ms",
        stage___precharge__energy="2 J",
        stage___discharge__resistor="480 ohm",
        stage___discharge__power="5 W",
        stage___limits__safe_voltage="12 V",
        stage___motor__braking_energy="0.256 J",
    )
    want = {
        "dclink.inrush": 3.0,  # 48 V / 16 ohm
        "dclink.precharge-energy": 1.152,  # 1 mF (48 V)^2 / 2
        "dclink.precharge-gap": 48 * math.exp(-5),  # five time constants
        "dclink.discharge-time": 0.48 * math.log(4),
        "dclink.discharge-power": 4.8,
        "dclink.regeneration": (48**2 + 2 * 0.256 / 1e-3) ** 0.5,
    }
    for name, value in want.items():
        verdict = one(inputs, name)
        assert verdict.value is not None, name
        assert verdict.value.typ == pytest.approx(value), name
    unasked = (
        "precharge.resistor precharge.energy discharge.resistor motor.braking_energy dclink.rth "
        "dclink.voltage_max"
    )
    left = build(tuple(f"stage:{name}" for name in unasked.split()))
    assert {v.check for v in run(left, ["dclink"])} == {
        "dclink.ripple-current",
        "dclink.ripple-voltage",
    }


def test_the_capacitor_heats_by_its_ripple(build: Build) -> None:
    inputs = build(
        stage___motor__current__rms="10 A",
        stage___motor__modulation="80 %",
        stage___motor__power_factor="90 %",
        stage___dclink__esr="20 mohm",
        stage___dclink__rth="10 K/W",
        stage___temperature__ambient="60 degC",
    )
    verdict = one(inputs, "dclink.temperature")
    assert verdict.value is not None
    # the modulator worked sample by sample says what the capacitor's current is, per ampere of peak
    rms = float(link_current(0.8, 0.9).std()) * 10 * 2**0.5
    assert verdict.value.typ == pytest.approx(60 + 10 * rms**2 * 0.02, rel=0.01)


def test_precharge_and_discharge_by_small_steps(build: Build) -> None:
    """Euler's method on C dV/dt = I, which knows neither exponential nor logarithm."""
    inputs = build(stage___supply__voltage="18 V", stage___dclink__capacitor="470 uF")
    gap, heat, step = 18.0, 0.0, 1e-7
    for _ in range(round(32.5e-3 / step)):
        heat += gap * gap / 10 * step
        gap -= gap / 10 / 470e-6 * step
    left = one(inputs, "dclink.precharge-gap")
    assert left.value is not None
    assert left.value.typ == pytest.approx(gap, rel=0.01)
    energy = one(inputs, "dclink.precharge-energy")
    assert energy.value is not None
    assert energy.value.typ == pytest.approx(heat, rel=0.01)


def chopped(m: float, pf: float, carriers: int = 99, steps: int = 400) -> tuple[float, float]:
    """Mean squares of the currents of a DC-link shunt and of a low side's, for a phase current of 1 A rms.

    A bridge with a centred space vector against a triangle, worked instant by instant.
    """
    n = carriers * steps
    turn = 2 * np.pi * np.arange(n) / n
    triangle = 4 * np.abs((np.arange(n) % steps + 0.5) / steps - 0.5) - 1
    wanted = [m * np.cos(turn - k * 2 * np.pi / 3) for k in range(3)]
    middle = -(np.max(wanted, 0) + np.min(wanted, 0)) / 2
    link, low = np.zeros(n), 0.0
    for k in range(3):
        current = math.sqrt(2) * np.cos(turn - k * 2 * np.pi / 3 - math.acos(pf))
        high = wanted[k] + middle > triangle
        link += high * current
        low = float(((1 - high) * current**2).mean())
    return float((link**2).mean()), low


@pytest.mark.parametrize(
    ("m", "pf"), [(0.3, 0.5), (0.8, 1), (0.9, 0.95), (1, 1), (1.15, 0.9), (1.15, 1)]
)
def test_the_shunt_carries_what_a_bridge_worked_instant_by_instant_draws(
    build: Build, m: float, pf: float
) -> None:
    """In the DC link up to 1.6 times the heat of the phase current, in a low side half of it."""
    changes: dict[str, str | int] = {
        "stage___motor__modulation": f"{m * 100} %",
        "stage___motor__power_factor": f"{pf * 100} %",
        "stage___motor__current__rms": "20 A",
        "stage___shunt__resistance": "1 mohm",
        "stage___shunt__rth": "25 K/W",
        "stage___shunt__tempco": "500 ppm/K",
        "stage___temperature__ambient": "25 degC",
        "stage___limits__shunt_drift": "5 %",
    }
    common, low = chopped(m, pf)
    assert low == pytest.approx(0.5, rel=0.01)
    for where, share in (("one in the DC link", common), ("one per phase", 1.0)):
        inputs = build(stage___shunt__arrangement=where, **changes)
        (power,) = run(inputs, ["sense.shunt-power"])
        (drift,) = run(inputs, ["sense.shunt-drift"])
        assert power.value is not None
        assert drift.value is not None
        heat = 20**2 * 1e-3 * share
        assert float(power.value.typ) == pytest.approx(heat, rel=0.015)
        assert float(drift.value.typ) == pytest.approx(500e-6 * heat * 25, rel=0.015)
