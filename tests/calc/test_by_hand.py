"""Checks worked out once more from first principles, in another way than the formulas do it."""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import pairwise, product

import pytest

from regmap.calc import Facts, FaultTiming, Input, Inputs, Verdict, run
from regmap.calc.inputs import default
from regmap.quantity import parse_band

Build = Callable[..., Inputs]


def one(inputs: Inputs, name: str) -> Verdict:
    (verdict,) = run(inputs, [name])
    return verdict


def figures(verdict: Verdict) -> tuple[float, float]:
    assert verdict.value is not None
    return verdict.value.low, verdict.value.high


def test_the_lowest_bootstrap_voltage_is_that_of_a_simulated_cycle(build: Build) -> None:
    inputs = build((), chip___high_side_supply="bootstrap")
    verdict = one(inputs, "bootstrap.refresh")
    # worst corner: weakest supply and widest diode, most charge, least capacitor, longest dead time
    supply, c, r, f = 9.5 - 0.9, 180e-9, 12.0, 20.2e3
    dead = max(900e-9 * 1.02, 900e-9)  # the controller's with its clock, or the chip's
    charge = 75e-9 + (120e-6 + 100e-9 + 12 / 95e3) / 19.8e3
    window = (1 - 0.85) / f - dead
    level = supply
    for _ in range(2000):
        level -= charge / c
        lowest = level
        level = supply - (supply - level) * math.exp(-window / (r * c))
    assert figures(verdict)[0] == pytest.approx(lowest, rel=1e-3)


def test_the_dead_time_of_the_chip_shortens_the_refresh(build: Build) -> None:
    short = one(build((), chip___high_side_supply="bootstrap"), "bootstrap.refresh")
    longer = one(
        build((), chip___high_side_supply="bootstrap", role___deadtime="4 us"), "bootstrap.refresh"
    )
    assert figures(longer)[0] < figures(short)[0]


def test_no_resistance_at_all_recharges_fully(build: Build) -> None:
    inputs = build((), chip___high_side_supply="bootstrap", chip___bootstrap__resistance="0 ohm")
    verdict = one(inputs, "bootstrap.refresh")
    assert verdict.status == "holds"
    assert figures(verdict)[1] == pytest.approx(
        12 - 0.5 - (50e-9 + 50e-6 / 20.2e3) / 260e-9, rel=3e-3
    )


def test_a_resistor_before_the_gate_lifts_it_however_strong_the_hold_off(build: Build) -> None:
    bare = build(("chip:gate.pulldown",), role___gate__hold="25..35 mA")
    fitted = build(
        ("chip:gate.pulldown",), role___gate__hold="1 A", stage___gate__resistor__off="220 ohm"
    )
    # i = Cgd dV/dt with dV/dt = Vs Isource / Qgd at its steepest
    miller = 60e-12 * 18 * 72e-3 / 9e-9
    assert figures(one(bare, "gate.miller.low"))[1] == pytest.approx(miller * 3)
    assert one(bare, "gate.miller.low").status == "holds"
    assert one(fitted, "gate.hold.low").status == "holds"
    lifted = one(fitted, "gate.miller.low")
    assert figures(lifted)[1] == pytest.approx(miller * 223)
    assert lifted.status == "fails"  # 1.9 V against 2.2 V - 8 mV/K 150 K = 1 V


def test_the_current_falls_with_what_the_resistor_passes_at_the_threshold(build: Build) -> None:
    inputs = build((), role___gate__sink="1 A", stage___gate__resistor__off="10 ohm")
    # worst corner by integration: C of the gate constant in each phase, i = Vgs / R
    # one device: the Qgs that the delay goes without is the Qgs that the current falls over
    qg, qgs, qgd, vth, rg, plateau = 75e-9, 11e-9, 15e-9, 2.2, 13.0, 4.2
    overdrive = 4.6 - 2.8
    beyond = (qg - qgs - qgd) / (plateau / rg)
    edge = qgd / (plateau / rg)
    fall = qgs * overdrive / (vth + overdrive) / (vth / rg)
    verdict = one(inputs, "deadtime.enough.low")
    assert verdict.lower is not None
    needed = 30e-9 + beyond + edge + fall + 50e-9
    assert verdict.lower.high == pytest.approx(needed, rel=1e-6)


def test_a_fitted_resistor_asks_for_the_voltages_that_it_needs(build: Build) -> None:
    without = build(("stage:mosfet.plateau",), stage___gate__resistor__off="47 ohm")
    verdict = one(without, "gate.fall-time.low")
    assert verdict.status == "not_computed"
    assert verdict.missing == ("stage:mosfet.plateau",)
    assert one(build(("stage:mosfet.plateau",)), "gate.fall-time.low").status == "low_margin"


@pytest.mark.parametrize(
    ("changes", "gain_low", "gain_high", "zero"),
    [
        ({}, -0.01, 0.01, None),
        ({"role___sense__gain": "19.4 / 20 / 20.6 V/V"}, -0.03, 0.03, None),
        (
            {"role___sense__gain": "19.4 / 20 / 20.6 V/V", "chip___sense__gain_error": "-1..1 %"},
            -0.03,
            0.03,
            None,
        ),
        (
            {"role___sense__gain": "19.9 / 20 / 20.1 V/V", "chip___sense__gain_error": "-2..2 %"},
            -0.02,
            0.02,
            None,
        ),
        ({"role___sense__reference": "1.6 / 1.65 / 1.7 V"}, -0.01, 0.01, (1.6, 1.65, 1.7)),
    ],
)
def test_the_error_of_a_current_is_that_of_every_corner_of_the_chain(
    build: Build,
    changes: dict[str, str],
    gain_low: float,
    gain_high: float,
    zero: tuple[float, float, float] | None,
) -> None:
    verdict = one(build((), **changes), "sense.error")
    low, high = figures(verdict)
    errors = []
    for i, r, (ta, heat), drift, vos, tb, eg, vadc, half, z in product(
        (45, 50),
        (0.99e-3, 1.01e-3),
        ((-40, 400 * 20), (85, 484 * 25)),
        (-1e-4, 1e-4),
        (-0.5e-3, 0.5e-3),
        (-40, 85),
        (gain_low, gain_high),
        (3.25, 3.35),
        (-0.5, 0.5),
        (zero[0], zero[2]) if zero else (None,),
    ):
        for tc in (-3e-6, 3e-6):
            ts = ta + heat * r  # the same shunt is heated and read
            volts = i * r * (1 + drift * (ts - 25)) + vos + tc * (tb - 25)
            level = z if z is not None else vadc / 2
            share = (level + 20 * (1 + eg) * volts) / vadc
            # the controller reckons with 3.3 V, 20 V/V, 1 mohm and its nominal level
            read = (share * 3.3 - (zero[1] if zero else 1.65)) / (20 * 1e-3)
            step = 3.3 / 4096 / (20 * 1e-3)
            errors.append(read + half * step - i)
    assert low == pytest.approx(min(errors), rel=1e-9)
    assert high == pytest.approx(max(errors), rel=1e-9)


def test_gains_of_several_amplifiers_are_no_tolerance(build: Build) -> None:
    from regmap.assessment.stage import hull

    both = hull([parse_band("10 V/V"), parse_band("20 V/V")])
    inputs = build().with_values([Input("role:sense.gain", both, "two fields")])
    alone = one(build(), "sense.error")
    assert figures(one(inputs, "sense.error"))[1] == pytest.approx(figures(alone)[1], abs=0.05)
    # the range is that of the larger gain
    assert figures(one(inputs, "sense.range"))[0] == pytest.approx(
        figures(one(build(), "sense.range"))[0]
    )


def test_numbers_beyond_any_hardware_hold_nothing(build: Build) -> None:
    verdict = one(build((), stage___adc__bits=5000), "sense.step")
    assert verdict.status == "fails"
    assert "beyond" in verdict.reason


def test_junction_in_balance(build: Build) -> None:
    """The junction temperature is where the heat made equals the heat carried away."""
    verdict = one(build(), "thermal.mosfet.high")
    _, tj = figures(verdict)
    alpha = default("stage:mosfet.rdson_tempco")
    assert alpha is not None
    pcond = 0.5 * 22**2 * 2.2e-3
    source, sink = 60e-3 * 0.8, 120e-3 * 0.8
    qgs2 = 17e-9 * 1.8 / (2.2 + 1.8)
    ton, toff = (15e-9 + qgs2) / source, (15e-9 + qgs2) / sink
    psw = 0.5 * 18 * 22 * (ton + toff) / 2 * 20.2e3
    pdiode = 1.2 * 22 * 900e-9 * 1.02 * 20.2e3
    made = pcond * (1 + 0.006 * (tj - 25)) + psw + pdiode
    assert (tj - 85) / 18 == pytest.approx(made, rel=1e-6)


def test_di_dt_of_a_resistive_driver_bounds_the_slope_of_a_charging_gate() -> None:
    # gate capacitance Qgs / Vpl charged through R from Vg: the drain current rises between Vth and Vpl
    stated = {
        "chip:drive.resistance.source": "10 ohm",
        "chip:drive.resistance.sink": "100 ohm",
        "chip:gate.voltage.high": "10 V",
        "stage:gate.resistor.on": "5 ohm",
        "stage:gate.resistor.off": "0 ohm",
        "stage:mosfet.internal_resistance": "1 ohm",
        "stage:mosfet.plateau": "5 V",
        "stage:mosfet.vth": "3 V",
        "stage:mosfet.qgs": "20 nC",
        "stage:motor.current.peak": "40 A",
        "stage:limits.didt": "10 A/ns",
    }
    verdict = one(
        Inputs([Input(n, parse_band(t), "by hand") for n, t in stated.items()]), "gate.didt.high"
    )
    capacitance, resistance, tail = 20e-9 / 5, 16.0, 40 / (5 - 3)
    times = [i * 1e-10 for i in range(3000)]
    gate = [10 * (1 - math.exp(-t / (resistance * capacitance))) for t in times]
    slopes = [tail * (b - a) / 1e-10 for a, b in pairwise(gate) if 3 <= a <= 5]
    steepest = max(slopes)
    assert figures(verdict)[1] == pytest.approx(steepest, rel=0.01)
    # on the plateau alone it would have been 5 / 7 of that, and the verdict too kind
    assert steepest > 1.3 * min(slopes)


def test_a_watchdog_reacts_as_late_as_its_slowest_oscillator_lets_it(build: Build) -> None:
    """TI SLLSF80B: a window of 60 ms with +-10 % ends at 66 ms at the latest."""
    inputs = build(
        (), role___watchdog__window="60 ms", chip___oscillator__tolerance="-10..10 %"
    ).with_values(
        [],
        Facts(
            faults=(
                FaultTiming(name="WD", adds=("role:watchdog.window",), react=parse_band("1..2 us")),
            )
        ),
    )
    verdict = one(inputs, "reaction.time.WD")
    assert verdict.value is not None
    assert verdict.value.high == pytest.approx(66e-3 + 2e-6, rel=1e-9)
    assert verdict.value.low == pytest.approx(54e-3 + 1e-6, rel=1e-9)
    assert "tol,chip max" in verdict.corner


def test_a_poll_ends_a_slow_period_and_a_whole_round_after_the_fault(build: Build) -> None:
    """1 ms of a clock 2 % slow; 6 frames of 24 bits at 4.9 MHz with lead, lag and pause."""
    verdict = one(build(), "reaction.time.OTW")
    assert verdict.value is not None
    spi = 6 * (24 / (5e6 * 0.98) + 60e-9 + 60e-9 + 600e-9)
    assert verdict.value.high == pytest.approx(30e-6 + 1.02e-3 + spi + 150e-6, rel=1e-9)
    shortest = 6 * (24 / (5e6 * 1.02) + 50e-9 + 50e-9 + 400e-9)
    assert verdict.value.low == pytest.approx(10e-6 + 0.98e-3 + shortest + 80e-6, rel=1e-9)


def test_a_short_circuit_that_is_only_reported_waits_for_the_poll_too(build: Build) -> None:
    reported = build((), role___vds__mode="report")
    told, acts = one(reported, "vds.withstand.high"), one(build(), "vds.withstand.high")
    assert told.value is not None
    assert acts.value is not None
    spi = 6 * (24 / (5e6 * 0.98) + 60e-9 + 60e-9 + 600e-9)
    assert told.value.high - acts.value.high == pytest.approx(1.02e-3 + spi + 150e-6, rel=1e-9)
