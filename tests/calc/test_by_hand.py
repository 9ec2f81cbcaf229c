"""Checks worked out once more from first principles, in another way than the formulas do it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from itertools import pairwise, product

import pytest
from scipy import integrate, optimize

from regmap.calc import Facts, FaultTiming, Input, Inputs, Verdict, run
from regmap.calc.device import channel_resistance, extra_overdrive
from regmap.calc.edges import limited_phase, resistive_phase
from regmap.calc.inputs import default
from regmap.calc.miller import miller_held, miller_resistive
from regmap.calc.slopes import current_slope, damped_slope
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
    leak = 120e-6 + 100e-9 + 12 / 95e3
    window = (1 - 0.85) / f - dead
    level = supply
    for _ in range(2000):
        level -= (75e-9 + leak * (1 / f - window)) / c
        lowest = level
        full = supply - r * leak  # the load flows on while it is recharged
        level = full - (full - level) * math.exp(-window / (r * c))
    assert figures(verdict)[0] == pytest.approx(lowest, rel=1e-4)


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
    gone = "chip:gate.pulldown", "stage:bridge.inductance"
    bare = build(gone, role___gate__hold="0.9..1.1 A")
    fitted = build(gone, role___gate__hold="1 A", stage___gate__resistor__off="220 ohm")
    assert one(bare, "gate.hold.low").status == "holds"
    assert one(fitted, "gate.hold.low").status == "holds"
    held, lifted = (figures(one(i, "gate.miller.low"))[1] for i in (bare, fitted))
    assert lifted > 1.5 * held
    assert one(fitted, "gate.miller.low").status == "fails"


def cgd(v: float, q: float, crss: float, vs: float) -> float:
    """The curve that device.py describes: Crss at the supply, its charge over the supply Qgd."""
    width = vs / 8
    return crss + (q - crss * vs) / (width * (1 - math.exp(-8))) * math.exp(-v / width)


@pytest.mark.parametrize("hold", [None, 0.05, 0.15, 1.0])
@pytest.mark.parametrize("drop", [0.0, 0.7, 1.0, 1.3, 4.0, 4.21, 4.43, 9.0])
@pytest.mark.parametrize(("ion", "r"), [(0.12, 2.0), (0.3, 10.0), (0.02, 40.0)])
def test_the_miller_bump_is_that_of_an_integrated_circuit(
    hold: float | None, drop: float, ion: float, r: float
) -> None:
    vs, q, crss, c = 13.5, 11e-9, 250e-12, 5.3e-9
    assert integrate.quad(lambda v: cgd(v, q, crss, vs), 0, vs)[0] == pytest.approx(q)

    def drained(v: float) -> float:
        return v / r if hold is None else min(hold, v / r)

    def slopes(_: float, y: Sequence[float]) -> tuple[float, float]:
        u, v = y  # drain and gate voltage of the held switch
        own, rate = cgd(u, q, crss, vs), ion / cgd(vs - u, q, crss, vs)
        return rate, (own * rate - drained(v)) / (c + own)

    # what the inductance took passes at once, a capacitive divider
    at_once = integrate.quad(lambda u: cgd(u, q, crss, vs) / (c + cgd(u, q, crss, vs)), 0, drop)[0]

    def over(_: float, y: Sequence[float]) -> float:
        return y[0] - vs

    over.terminal = True  # type: ignore[attr-defined]
    path = integrate.solve_ivp(
        slopes, (0, 1e-5), [drop, at_once], events=over, rtol=1e-8, atol=1e-12, max_step=1e-9
    )
    parts = {"vs": vs, "ion": ion, "q": q, "crss": crss, "c": c, "r": r, "drop": drop}
    made = miller_resistive(**parts) if hold is None else miller_held(**parts, hold=hold)
    assert made == pytest.approx(float(path.y[1].max()), rel=0.005, abs=1e-4)


def test_a_charge_bounds_the_miller_bump_however_fast_the_edge() -> None:
    # with a capacitance that carries Qgd, no gate current can raise more than the divider does
    parts = {"vs": 13.5, "q": 11e-9, "crss": 250e-12, "c": 5.3e-9, "r": 1e3, "drop": 0.0}
    divider = integrate.quad(lambda u: 1 / (1 + 5.3e-9 / cgd(u, 11e-9, 250e-12, 13.5)), 0, 13.5)[0]
    fastest = miller_resistive(ion=100.0, **parts)
    assert fastest == pytest.approx(divider, rel=0.01)
    assert fastest < 11e-9 / 5.3e-9


def test_the_mean_miller_current_is_the_other_switchs_gate_current(build: Build) -> None:
    # what moves Qgd out of one moves it into the other: 37.5 mA cannot hold against 120 mA
    weak = build(("chip:gate.pulldown",), role___gate__source="120 mA", role___gate__hold="37.5 mA")
    verdict = one(weak, "gate.hold.low")
    assert verdict.status == "fails"
    assert figures(verdict) == pytest.approx((0.12, 0.12))
    assert one(weak, "gate.miller.low").status == "fails"


def test_the_current_falls_with_what_the_resistor_passes_at_each_voltage(build: Build) -> None:
    inputs = build((), role___gate__sink="1 A", stage___gate__resistor__off="10 ohm")
    # worst corner of one device: even capacitance in each phase, i = Vgs / 13 ohm, below 1 A
    # the pairs stand 2, 1.8 and 1.6 V apart: the lowest plateau is the lowest threshold and 1.6 V
    vth, plateau, vg = 2.2, 2.2 + 1.6, 9.5
    beyond, edge = 75e-9 - 11e-9 - 15e-9, 15e-9
    fall = 11e-9 * 1.6 / plateau

    def passes(charge: float, top: float, bottom: float) -> float:
        return 13 * integrate.quad(lambda v: charge / (top - bottom) / v, bottom, top)[0]

    verdict = one(inputs, "deadtime.enough.low")
    assert verdict.lower is not None
    needed = (
        30e-9
        + passes(beyond, vg, plateau)
        + edge / (plateau / 13)
        + passes(fall, plateau, vth)
        + 50e-9
    )
    assert verdict.lower.high == pytest.approx(needed, rel=1e-6)


@pytest.mark.parametrize(
    ("far", "near", "i", "r"),
    [(9, 5, 0.1, 10), (9, 5, 0.7, 10), (9, 5, 2, 10), (9, 0.5, 0.2, 10), (5, 5, 0.3, 10)],
)
def test_a_limited_current_moves_a_charge_as_integrated(
    far: float, near: float, i: float, r: float
) -> None:
    q = 40e-9
    if far == near:
        expected = q / min(i, near / r)
    else:
        points = [i * r] if near < i * r < far else None
        whole = integrate.quad(lambda u: 1 / min(i, u / r), near, far, points=points)[0]
        expected = q * whole / (far - near)
    assert limited_phase(q=q, far=far, near=near, i=i, r=r) == pytest.approx(expected, rel=1e-6)
    if i * r >= far:
        made = resistive_phase(q=q, far=far, near=near, r=r)
        assert made == pytest.approx(expected, rel=1e-6)


def test_through_a_resistance_the_last_of_the_charge_takes_its_time(build: Build) -> None:
    # an RC needs 3.0 time constants for 95 %; Qg / I at the plateau's current says far less
    inputs = build(
        ("role:gate.source", "role:gate.sink", "chip:gate.pulldown"),
        chip___drive__resistance__source="10 ohm",
        chip___drive__resistance__sink="10 ohm",
        stage___mosfet__internal_resistance="0 ohm",
        chip___gate__voltage__high="10 V",
        chip___gate__voltage__low="10 V",
        stage___mosfet__plateau="5 V",
        stage___mosfet__qg="60 nC",
        stage___mosfet__qgs="20 nC",
        stage___mosfet__qgd="10 nC",
    )
    at_plateau = 60e-9 / (5 / 10)
    expected = 10 * 20e-9 / 5 * math.log(2) + 10e-9 / 0.5 + 10 * 30e-9 * math.log(10) / 4.5
    value = figures(one(inputs, "gate.drive-time.low"))[1]
    source = one(inputs, "deadtime.duty-max").lower
    assert source is not None
    assert source.typ == pytest.approx(expected)
    assert source.typ > 1.6 * at_plateau
    assert value >= source.typ


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
    qgs2 = 17e-9 * 2.0 / (2.2 + 2.0)  # the farthest pair stands 2 V apart
    ton, toff = (15e-9 + qgs2) / source, (15e-9 + qgs2) / sink
    psw = 0.5 * 18 * 22 * (ton + toff) / 2 * 20.2e3
    pdiode = 1.2 * 22 * 900e-9 * 1.02 * 20.2e3
    # each recovery of a diode, 40 nC at 18 V, heats both switches of its bridge alike
    prr = 18 * 40e-9 * 20.2e3 / 2
    made = pcond * (1 + 0.006 * (tj - 25)) + psw + pdiode + prr
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
    capacitance, resistance = 20e-9 / 5, 16.0
    times = [i * 1e-10 for i in range(3000)]
    gate = [10 * (1 - math.exp(-t / (resistance * capacitance))) for t in times]
    # the square law between threshold and plateau
    drain = [40 * ((v - 3) / (5 - 3)) ** 2 for v in gate if 3 <= v <= 5]
    slopes = [(b - a) / 1e-10 for a, b in pairwise(drain)]
    assert figures(verdict)[1] == pytest.approx(max(slopes), rel=0.01)
    # the mean over the current edge would be about half of it
    assert figures(verdict)[1] > 1.6 * sum(slopes) / len(slopes)


@pytest.mark.parametrize("ls", [1e-9, 5e-9, 20e-9])
def test_the_loops_inductance_damps_the_slope_as_integrated(ls: float) -> None:
    ipk, ig, vov, cgs, crss = 80.0, 0.5, 1.2, 11e-9, 0.6e-9
    k = ipk / vov**2

    def speed(y: float) -> float:
        # Ig = Cgs v' + Crss L d2i/dt2, i = k (v - Vth)^2 with v' steady: d2i/dt2 = 2 k v'^2
        return cgs * y + crss * ls * 2 * k * y * y - ig

    rate = float(optimize.brentq(speed, 0, ig / cgs))
    made = damped_slope(ipk=ipk, ig=ig, vov=vov, cgs=cgs, ls=ls, crss=crss)
    assert made == pytest.approx(2 * k * vov * rate, rel=1e-9)
    assert made < current_slope(ipk=ipk, ig=ig, vov=vov, cgs=cgs)


def test_vds_passes_its_threshold_where_the_square_law_says() -> None:
    # Id = k (2 Vov' V - V^2) at the load current k Vov^2
    vov, drop, k = 1.5, 0.2, 12.0
    lift = extra_overdrive(vov=vov, v=drop)
    assert k * (2 * (vov + lift) * drop - drop**2) == pytest.approx(k * vov**2)
    assert extra_overdrive(vov=vov, v=2.0) == 0
    # at full gate voltage the channel is the reciprocal of 2 k (Vgs - Vth)
    assert channel_resistance(vov=vov, i=k * vov**2, vg=10, vpl=4) == pytest.approx(
        1 / (2 * k * (10 - 4 + vov))
    )


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
