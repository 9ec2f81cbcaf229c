"""Stalls, pulses, shorted motors: the thermal ladder by small steps, and the losses at their currents by hand."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from regmap.calc import Inputs, Verdict, run
from regmap.calc.transient import pulsed_impedance, transient_impedance

Build = Callable[..., Inputs]
LADDER = tuple(f"stage:mosfet.ladder.{letter}{n}" for n in range(1, 5) for letter in "rt")


def one(inputs: Inputs, name: str) -> Verdict:
    (verdict,) = run(inputs, [name])
    return verdict


def typical(inputs: Inputs, name: str) -> float:
    value = one(inputs, name).value
    assert value is not None
    return float(value.typ)


#: The typical values of the complete stage that the losses by hand need, in base units.
VS, F, TD, QRR, QGD, QGS2 = 13.5, 20e3, 900e-9, 30e-9, 12e-9, 14e-9 * (4.6 - 2.8) / 4.6


def switched(amps: float, verdict: Verdict) -> float:
    """What does not depend on the junction: edges by their charges, dead time, recovery; W.

    Edges from the charges and set currents (60 mA on, 120 mA off) as in the energy of an inductive edge,
    V I t / 2; the diode's drop is the default.
    """
    told = {v.symbol: float(v.typ) for v in verdict.inputs}
    edges = (QGS2 + QGD) / 60e-3 + (QGS2 + QGD) / 120e-3
    return F * (VS * amps * edges / 2 + told["Vf"] * amps * TD + VS * QRR)


def test_a_stall_by_small_steps(build: Build) -> None:
    """Each step of the ladder as a capacitor charged by the power through Euler's method, from the heat of operation."""
    inputs = build(
        stage___motor__stall__current="40 A",
        stage___motor__stall__time="300 ms",
        stage___mosfet__rdson="2 mohm",
        stage___mosfet__rdson_tempco="0.5 %/K",
        stage___mosfet__tj_max="175 degC",
        stage___mosfet__rth="16.15 K/W",
    )
    verdict = one(inputs, "thermal.stall.low")
    assert verdict.value is not None
    start, ta = typical(inputs, "thermal.mosfet.low"), 25.0
    power = float(verdict.value.args["p"].typ)
    assert power == pytest.approx(40**2 * 2e-3 * 1.75 + switched(40, verdict), rel=0.02)
    before, rise, step = (start - ta) / 16.15, 0.0, 1e-4
    for r, tau in ((0.25, 1.5e-3), (0.9, 65e-3), (5.5, 5.5), (9.5, 45.0)):
        t = before * r
        for _ in range(round(0.3 / step)):
            t += (power * r - t) / tau * step
        rise += t
    assert float(verdict.value.typ) == pytest.approx(ta + rise, rel=1e-3)


@pytest.mark.parametrize("amps", [8, 22, 60])
@pytest.mark.parametrize("side", ["high", "low"])
def test_a_long_stall_is_operation_at_its_current(build: Build, amps: int, side: str) -> None:
    """With one switch that carries all, at an on-resistance that does not rise, and the edges of that current."""
    current = f"{amps} A"
    same: dict[str, str | int] = {
        "stage___mosfet__rdson_tempco": "0 %/K",
        "stage___mosfet__test__current": "50 A",
        "stage___mosfet__rth": "16.15 K/W",
    }
    stalled = build(
        stage___motor__stall__current=current, stage___motor__stall__time="3000 s", **same
    )
    running = build(
        stage___motor__current__rms=current,
        stage___motor__current__peak=current,
        stage___mosfet__conduction_share="100 %",
        **same,
    )
    assert typical(stalled, f"thermal.stall.{side}") == pytest.approx(
        typical(running, f"thermal.mosfet.{side}"), rel=1e-3
    )


def test_a_stall_without_a_ladder_has_the_whole_way_to_the_air(build: Build) -> None:
    """120 A through 2.3 mohm, at 175 degC 1.9 of that at most, is 63 W: 10 K/W from 60 degC make 689 degC."""
    for time in ("600 s", "1 ms"):  # nobody says how slowly
        verdict = one(
            build(
                LADDER,
                stage___motor__stall__current="120 A",
                stage___motor__stall__time=time,
                stage___mosfet__rdson="2.3 mohm",
                stage___mosfet__rdson_tempco="0.6 %/K",
                stage___mosfet__rth="10 K/W",
                stage___temperature__ambient="60 degC",
                stage___pwm__frequency="1 Hz",  # no switching loss
            ),
            "thermal.stall.high",
        )
        assert verdict.status == "fails"
        assert verdict.value is not None
        assert float(verdict.value.high) == pytest.approx(60 + 120**2 * 2.3e-3 * 1.9 * 10, rel=1e-3)
        assert any("from the first moment" in str(text) for text in verdict.extra)


@pytest.mark.parametrize("name", ["thermal.stall.low", "thermal.pulses.low"])
def test_what_the_steps_leave_counts(build: Build, name: str) -> None:
    """Half a ladder gives no less than the whole one, and no more than none."""
    whole = typical(build(), name)
    half = typical(build(LADDER[4:]), name)
    none = typical(build(LADDER), name)
    assert whole < half < none


@pytest.mark.parametrize("name", ["thermal.stall.low", "thermal.pulses.low"])
def test_a_step_without_its_time_constant_is_missing_it(build: Build, name: str) -> None:
    verdict = one(build(("stage:mosfet.ladder.t3",)), name)
    assert verdict.status == "not_computed"
    assert "stage:mosfet.ladder.t3" in verdict.missing


def test_a_stall_needs_the_way_to_the_air(build: Build) -> None:
    verdict = one(build(("stage:mosfet.rth",)), "thermal.stall.low")
    assert verdict.status == "not_computed"
    assert "stage:mosfet.rth" in verdict.missing


def test_repeated_pulses_by_small_steps() -> None:
    ladder = {"r1": 0.25, "t1": 1.5e-3, "r2": 0.9, "t2": 65e-3, "r3": 5.5, "t3": 0.4}
    ladder |= {"r4": 0.0, "t4": 1.0}
    on, period, dt = 10e-3, 100e-3, 2e-5
    steps = [(ladder[f"r{n}"], ladder[f"t{n}"]) for n in (1, 2, 3)]
    rise = [0.0] * 3
    peak = 0.0
    for k in range(int(6 / dt)):  # many time constants
        power = 1.0 if (k * dt) % period < on - dt / 2 else 0.0
        rise = [x + dt / tau * (r * power - x) for x, (r, tau) in zip(rise, steps, strict=True)]
        peak = max(peak, sum(rise)) if k * dt > 5 else 0.0
    assert pulsed_impedance(**ladder, t=on, tp=period) == pytest.approx(peak, rel=2e-3)
    # rare pulses are single ones, and without a pause it is the whole ladder
    alone = transient_impedance(**ladder, t=on)
    assert pulsed_impedance(**ladder, t=on, tp=1e3) == pytest.approx(alone)
    assert pulsed_impedance(**ladder, t=on, tp=on * (1 + 1e-12)) == pytest.approx(6.65)


def test_a_pulse_switches_its_current(build: Build) -> None:
    """What the pulse adds is conduction at the highest junction and the edges of its own current."""
    inputs = build(
        stage___motor__pulse__current="100 A",
        stage___mosfet__rdson="2 mohm",
        stage___mosfet__rdson_tempco="0.5 %/K",
        stage___mosfet__tj_max="175 degC",
    )
    verdict = one(inputs, "thermal.pulses.high")
    assert verdict.value is not None
    assert float(verdict.value.args["p"].typ) == pytest.approx(
        100**2 * 2e-3 * 1.75 + switched(100, verdict), rel=0.02
    )


def test_what_is_not_stated_is_not_asked(build: Build) -> None:
    left = build(("stage:motor.stall.current", "stage:motor.pulse.current"))
    assert not {v.check for v in run(left, ["thermal"])} & {
        "thermal.stall.high",
        "thermal.pulses.low",
    }


MOTOR: dict[str, str | int] = {
    "stage___motor__back_emf": "60 V",
    "stage___motor__phase_resistance": "20 mohm",
    "stage___mosfet__rdson": "4 mohm",
    "stage___mosfet__rdson_tempco": "0 %/K",
    "stage___mosfet__rth": "16.15 K/W",
    "stage___temperature__ambient": "25 degC",
}


@pytest.mark.parametrize("henry", [60e-6, 5e-6])
@pytest.mark.parametrize("joule", [3.0, 60.0])
def test_no_braking_heats_more_than_it_is_taken_to(
    build: Build, henry: float, joule: float
) -> None:
    """A rotor that slows down as its energy becomes heat, and the ladder's steps by Euler's method.

    The bound is near where the current hardly falls with the speed (a large inductance), and never below.
    """
    hz, r, ron = 400.0, 20e-3, 4e-3
    inputs = build(
        stage___motor__phase_inductance=f"{henry * 1e6} uH",
        stage___motor__frequency_max=f"{hz} Hz",
        stage___motor__kinetic_energy=f"{joule} J",
        **MOTOR,
    )
    verdict = one(inputs, "thermal.short-braking-decay")
    assert verdict.value is not None
    start = typical(inputs, "thermal.mosfet.low")
    before = (start - 25) / 16.15
    steps = [(0.25, 1.5e-3), (0.9, 65e-3), (5.5, 5.5), (9.5, 45.0)]
    rise = [before * each for each, _ in steps]
    left, peak, dt = joule, start, 2e-5
    for _ in range(200_000):
        speed = math.sqrt(left / joule)
        amps = 60 / math.sqrt(6) * speed / math.hypot(r + ron, 2 * math.pi * hz * speed * henry)
        power = amps**2 * ron
        left -= 3 * amps**2 * (r + ron) * dt
        rise = [x + dt / tau * (k * power - x) for x, (k, tau) in zip(rise, steps, strict=True)]
        peak = max(peak, 25 + sum(rise))
        if left < joule / 1000:
            break
    bound = float(verdict.value.typ)
    assert peak <= bound
    assert peak - start > (0.75 if henry > 50e-6 else 0.25) * (bound - start)
    assert bound < typical(inputs, "thermal.short-braking")


def test_a_motor_driven_on_heats_what_shorts_it_for_good(build: Build) -> None:
    """60 V between two phases at 400 Hz and 60 uH: 24.5 V over 152 mohm a phase, 161 A; 4 mohm make 103 W."""
    inputs = build(
        stage___motor__phase_inductance="60 uH", stage___motor__frequency_max="400 Hz", **MOTOR
    )
    amps = 60 / math.sqrt(6) / math.hypot(20e-3, 2 * math.pi * 400 * 60e-6)
    assert typical(inputs, "thermal.short-braking") == pytest.approx(
        25 + 16.15 * amps**2 * 4e-3, rel=1e-6
    )
    # the rise of the on-resistance can run away
    hot = build(
        stage___motor__phase_inductance="60 uH",
        stage___motor__frequency_max="400 Hz",
        **{**MOTOR, "stage___mosfet__rdson_tempco": "0.5 %/K"},
    )
    verdict = one(hot, "thermal.short-braking")
    assert verdict.status == "fails"
    assert "runaway" in verdict.reason
    left = build(("stage:limits.braking_current",))
    assert not {v.check for v in run(left, ["thermal"])} & {
        "thermal.short-braking",
        "thermal.short-braking-decay",
    }


@pytest.mark.parametrize("name", ["thermal.stall.high", "thermal.pulses.low"])
def test_an_upper_bound_is_said_to_be_one(build: Build, name: str) -> None:
    """A blocked motor at half the duty heats a switch by half of its conduction loss; the duty of a stall nobody states."""
    (verdict,) = run(build(), [name])
    assert "at most" in verdict.title
    assert any(step.startswith("an upper bound: ") for step in verdict.steps)
