"""The one MOSFET: pairs of threshold and plateau, temperature, and the data sheet's test conditions, by hand.

Also the whole check on exact inputs: a stage of one drawn part is worked as if its figures were stated without
bands, and stays within what was told for the bands.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from fractions import Fraction

import numpy as np
import pytest
from scipy import integrate

from regmap.calc import Input, Inputs, Verdict, run
from regmap.calc.device import gate_drain
from regmap.calc.spice import bridge
from regmap.quantity import Band
from tests.calc.conftest import stage_of

Given = Callable[[dict[str, "str | int"]], Inputs]

#: A switch without resistance in its way: 100 mA in, 200 mA out.
PART: dict[str, str | int] = {
    "stage:mosfet.qg": "60 nC",
    "stage:mosfet.qgs": "14 nC",
    "stage:mosfet.qgd": "12 nC",
    "stage:mosfet.vth": "2 / 2.4 / 2.8 V",
    "stage:mosfet.plateau": "3.5 / 4 / 4.6 V",
    "stage:mosfet.internal_resistance": "1 uohm",
    "stage:supply.voltage": "24 V",
    "stage:motor.current.peak": "40 A",
    "stage:limits.didt": "1 kA/us",
    "stage:limits.rise_time.max": "1 us",
    "role:gate.source": "100 mA",
    "role:gate.sink": "200 mA",
    "role:gate.voltage.high": "10 V",
    "role:gate.voltage.low": "10 V",
    "role:deadtime": "700 ns",
    "chip:deadtime_with_controller": "max",
    "chip:propagation.mismatch": "0 s",
    "stage:pwm.deadtime_margin": "0 s",
}


def one(inputs: Inputs, name: str) -> Verdict:
    (verdict,) = run(inputs, [name])
    assert verdict.value is not None, (name, verdict.missing, verdict.reason)
    return verdict


def ends(verdict: Verdict, part: str = "value") -> tuple[float, float, float]:
    band = getattr(verdict, part)
    return band.low, band.typ, band.high


# pairs


def test_the_overdrive_takes_what_the_stated_pairs_give(given: Given) -> None:
    """Pairs 1.5, 1.6 and 1.8 V apart: di/dt = 2 Ipk Ig Vpl / (Vov Qgs) with Vpl = Vth + Vov."""
    low, typ, high = ends(one(given(PART), "gate.didt.low"))
    slope = 2 * 40 * 0.2 / 14e-9
    assert high == pytest.approx(slope * (2.8 + 1.5) / 1.5)
    assert typ == pytest.approx(slope * 4.0 / 1.6)
    assert low == pytest.approx(slope * (2.0 + 1.8) / 1.8)


def test_a_plateau_without_a_band_is_the_typical_parts(given: Given) -> None:
    """Threshold 2 to 2.8 V, plateau 4 V: 1.6 V apart in every part, so it lies at 3.6 to 4.4 V."""
    inputs = given({**PART, "stage:mosfet.plateau": "4 V"})
    low, _, high = ends(one(inputs, "gate.didt.low"))
    slope = 2 * 40 * 0.2 / 14e-9 / 1.6
    assert (low, high) == pytest.approx((slope * 3.6, slope * 4.4))


def test_pairs_that_leave_no_overdrive_are_refused(given: Given) -> None:
    (verdict,) = run(given({**PART, "stage:mosfet.vth": "2 / 2.4 / 4.7 V"}), ["gate.didt.low"])
    assert verdict.status == "fails"
    assert "max and max" in verdict.reason


def test_the_explanation_says_that_the_plateau_follows(given: Given) -> None:
    steps = "\n".join(one(given(PART), "gate.didt.low").steps)
    assert "the plateau follows the threshold from part to part" in steps


def test_the_deck_has_the_plateau_of_the_model(given: Given) -> None:
    made = bridge(
        given({**PART, "stage:mosfet.rdson": "5 mohm", "stage:mosfet.test.current": "10 A"}), "low"
    )
    assert (made.vth, made.plateau) == pytest.approx((2.4, 2.4 + 1.6 * 2))
    assert made.qgs == pytest.approx(14e-9 * 5.6 / 4)


#: Switching model's verdicts: what a drawn part is held against.
CHECKS = [
    "gate.didt",
    "gate.rise-time",
    "gate.fall-time",
    "gate.drive-time",
    "gate.overshoot",
    "gate.turn-on-peak",
    "gate.miller",
    "deadtime.enough",
    "vds.blanking",
    "vds.turn-off-overshoot",
    "vds.withstand",
    "sense.settling",
    "deadtime.voltage-error",
    "thermal.mosfet",
]


def part_of(base: Inputs, share_of: Callable[[str], Fraction], over: Fraction) -> Inputs:
    """One part: every band at its share of the way, the plateau what threshold and overdrive of that part make.

    `over` is the overdrive's share of the way between those of the stated pairs.
    """
    changes, met = [], {}
    for item in base.known().values():
        band = item.value
        if isinstance(band, Band) and not band.exact:
            met[item.name] = band.low + share_of(item.name) * (band.high - band.low)
    vth, plateau = (base.known()[f"stage:mosfet.{n}"].value for n in ("vth", "plateau"))
    assert isinstance(vth, Band)
    assert isinstance(plateau, Band)
    if not vth.exact and not plateau.exact:
        pairs = [getattr(plateau, end) - getattr(vth, end) for end in ("low", "typ", "high")]
        above = min(pairs) + over * (max(pairs) - min(pairs))
        met["stage:mosfet.plateau"] = met["stage:mosfet.vth"] + above
    for name, at in met.items():
        band = base.known()[name].value
        assert isinstance(band, Band)
        changes.append(Input(name, Band(at, at, at, band.dim), "one part"))
    return base.with_values(changes)


def held(told: Verdict, exact: Verdict) -> int:
    """Both sides of the comparison on exact inputs within what is told for the bands."""
    seen = 0
    for part in ("value", "lower", "upper"):
        here, band = getattr(exact, part), getattr(told, part)
        if here is None or band is None:
            continue
        room = 1e-6 * max(abs(band.low), abs(band.high)) + 2e-3 * (band.high - band.low)
        assert band.low - room <= here.low, (told.check, part, here.low, band.low)
        assert here.high <= band.high + room, (told.check, part, here.high, band.high)
        seen += 1
    return seen


@pytest.mark.parametrize("name", ["conveyor_drum", "radiator_fan", "other choices"])
def test_a_part_of_exact_figures_stays_within_what_is_told(name: str) -> None:
    """The whole check worked anew on exact inputs, with nothing of the bench's draws.

    Drawn parts, and the part at each end of each band with the overdrive of either pair.
    """
    base = stage_of(name)
    rng = np.random.default_rng(21)
    told = {v.check: v for v in run(base, CHECKS)}
    seen = 0
    for _ in range(8):
        exact = part_of(
            base, lambda _: Fraction(int(rng.integers(0, 1001)), 1000), Fraction(rng.random())
        )
        seen += sum(held(told[v.check], v) for v in run(exact, CHECKS))
    for check, verdict in told.items():
        for band in (verdict.value, verdict.lower, verdict.upper):
            for point in () if band is None or band.exact else (band.low_at, band.high_at):
                for over in (Fraction(0), Fraction(1)):
                    exact = part_of(base, shares_at(base, point), over)
                    seen += sum(held(verdict, v) for v in run(exact, [check]))
    assert seen > 400


def shares_at(base: Inputs, point: Mapping[str, float]) -> Callable[[str], Fraction]:
    """Where the inputs stand at a corner, as shares of their bands; the middle where it does not say."""

    def share(name: str) -> Fraction:
        band = base.known()[name].value
        assert isinstance(band, Band)
        at = Fraction(point[name]) if name in point else band.typ
        return min(max((at - band.low) / (band.high - band.low), Fraction(0)), Fraction(1))

    return share


# temperature

HOT = {"stage:mosfet.vth_tempco": "-5 mV/K", "stage:mosfet.rdson_tempco": "0.5 %/K"}


def test_threshold_and_overdrive_over_the_temperatures_met(given: Given) -> None:
    """-40 to 150 degC: Vth 2.4 V less 5 mV/K, Vov 1.6 V with the root of 1 + 0.005 (T - 25).

    di/dt = 2 Ipk Ig / (Vov Cgs), so it is steepest cold; Cgs = 14 nC / 4 V does not change.
    """
    exact = {**PART, "stage:mosfet.vth": "2.4 V", "stage:mosfet.plateau": "4 V"}
    met = {**exact, **HOT, "stage:mosfet.temperature": "-40..150 degC"}
    low, _, high = ends(one(given(met), "gate.didt.low"))
    slope = 2 * 40 * 0.2 / (14e-9 / 4)
    assert high == pytest.approx(slope / (1.6 * math.sqrt(1 - 0.005 * 65)))
    assert low == pytest.approx(slope / (1.6 * math.sqrt(1 + 0.005 * 125)))
    # without a stated drift the figures of 25 degC stay, and that is said
    plain = one(given({**exact, "stage:mosfet.temperature": "-40..150 degC"}), "gate.didt.low")
    assert ends(plain)[2] == pytest.approx(slope / 1.6)
    assert "25 degC" in "\n".join(plain.steps)


def test_dead_time_is_spent_at_the_worst_temperature(given: Given) -> None:
    """Turn-off behind 20 ohm, hot: each phase at the voltages that the gate has then, by quadrature.

    The charge beyond the plateau is 34 nC over 10 - 4 V, so a lower plateau leaves more of it.
    """
    slow = {
        **PART,
        **HOT,
        "stage:mosfet.vth": "2.4 V",
        "stage:mosfet.plateau": "4 V",
        "role:gate.sink": "9 A",
        "stage:gate.resistor.off": "20 ohm",
    }

    def needed(t: float) -> float:
        vth = 2.4 - 0.005 * (t - 25)
        vpl = vth + 1.6 * math.sqrt(1 + 0.005 * (t - 25))

        def passes(c: float, top: float, bottom: float) -> float:
            return c * 20 * float(integrate.quad(lambda v: 1 / v, bottom, top)[0])

        return passes(34e-9 / 6, 10, vpl) + 12e-9 * 20 / vpl + passes(14e-9 / 4, vpl, vth)

    met = given({**slow, "stage:mosfet.temperature": "-40..150 degC"})
    verdict = one(met, "deadtime.enough.low")
    low, _, high = ends(verdict, "lower")
    over = [needed(t) for t in np.linspace(-40, 150, 77)]
    assert (low, high) == pytest.approx((min(over), max(over)), rel=2e-4)
    assert "Tj" in verdict.corner  # the corner says at which temperature
    cool = one(given({**slow, "stage:mosfet.temperature": "-20..25 degC"}), "deadtime.enough.low")
    assert ends(cool, "lower")[2] < high


def test_both_switches_are_at_one_temperature(given: Given) -> None:
    """The threshold that a held gate must stay below is that of the temperatures met, not of 175 degC."""
    names = {
        **PART,
        **HOT,
        "role:gate.hold": "300 mA",
        "stage:mosfet.tj_max": "175 degC",
        "stage:mosfet.temperature": "-20..25 degC",
    }
    assert one(given(names), "gate.miller.low").upper.low == pytest.approx(2.0)
    hot = one(given({**names, "stage:mosfet.temperature": "-20..175 degC"}), "gate.miller.low")
    assert hot.upper.low == pytest.approx(2.0 - 0.75)


# what a data sheet measured elsewhere


def test_the_plateau_is_carried_to_the_loads_current_by_the_square_law(given: Given) -> None:
    """Measured at 10 A, 1.6 V above the threshold: at 40 A twice that, and Qgs in proportion to the plateau."""
    exact = {**PART, "stage:mosfet.vth": "2.4 V", "stage:mosfet.plateau": "4 V"}
    carried = given({**exact, "stage:mosfet.test.current": "10 A"})
    # di/dt = 2 Ipk Ig / (Vov Cgs), Cgs = 14 nC / 4 V
    assert ends(one(carried, "gate.didt.low"))[1] == pytest.approx(2 * 40 * 0.2 / (3.2 * 14e-9 / 4))
    # turn-off: what lies beyond 5.6 V, along it, and down to 2.4 V, at 200 mA
    beyond, fall = 34e-9 * (10 - 5.6) / (10 - 4), 14e-9 * 3.2 / 4
    assert ends(one(carried, "deadtime.enough.low"), "lower")[1] == pytest.approx(
        (beyond + 12e-9 + fall) / 0.2
    )
    as_is = one(given({**exact, "stage:mosfet.test.current": "40 A"}), "gate.didt.low")
    assert ends(as_is)[1] == pytest.approx(ends(one(given(exact), "gate.didt.low"))[1])
    assert "mosfet.test.current" in "\n".join(one(given(exact), "gate.didt.low").steps)


@pytest.mark.parametrize("supply", [8, 24, 40])
def test_qgd_is_carried_along_the_capacitance_curve(given: Given, supply: int) -> None:
    """12 nC over 24 V with 300 pF at the end: the integral of the same curve over another supply."""
    over, _ = integrate.quad(lambda v: gate_drain(v, 12e-9, 300e-12, 24.0), 0, supply, limit=200)
    inputs = given(
        {
            **PART,
            "stage:mosfet.crss": "300 pF",
            "stage:supply.voltage": f"{supply} V",
            "stage:mosfet.test.drain_voltage": "24 V",
        }
    )
    assert ends(one(inputs, "gate.rise-time.low"))[1] == pytest.approx(over / 0.1, rel=1e-6)


def test_qgd_without_a_capacitance_follows_the_root(given: Given) -> None:
    """A depletion layer's charge goes with the root of the voltage: 12 nC over 24 V are 6 nC over 6 V."""
    inputs = given(
        {**PART, "stage:supply.voltage": "6 V", "stage:mosfet.test.drain_voltage": "24 V"}
    )
    assert ends(one(inputs, "gate.rise-time.low"))[1] == pytest.approx(60e-9)
    plain = one(given({**PART, "stage:supply.voltage": "6 V"}), "gate.rise-time.low")
    assert ends(plain)[1] == pytest.approx(120e-9)
    assert "mosfet.test.drain_voltage" in "\n".join(plain.steps)


def test_qg_is_carried_to_the_gate_voltage(given: Given) -> None:
    """60 nC up to 6 V, of which 34 nC beyond the plateau at 4 V: at 10 V three times that."""
    exact = {
        **PART,
        "stage:mosfet.vth": "2.4 V",
        "stage:mosfet.plateau": "4 V",
        "stage:pwm.frequency": "20 kHz",
        "stage:pwm.half_bridges": 1,
        "chip:regulator.current": "10 mA",
        "chip:high_side_supply": "charge pump",
        "stage:mosfet.test.gate_voltage": "6 V",
    }
    supply = one(given(exact), "gate.supply.low")
    assert ends(supply)[1] == pytest.approx((14e-9 + 12e-9 + 3 * 34e-9) * 20e3)
    off = one(given(exact), "deadtime.enough.low")
    fall = 14e-9 * 1.6 / 4
    assert ends(off, "lower")[1] == pytest.approx((3 * 34e-9 + 12e-9 + fall) / 0.2)
    (wrong,) = run(given({**exact, "stage:mosfet.test.gate_voltage": "3.9 V"}), ["gate.supply.low"])
    assert "does not exceed the plateau" in wrong.reason


def test_qrr_goes_with_the_current(given: Given) -> None:
    """30 nC at 10 A are 120 nC at 40 A: peak = 40 A + sqrt(2 Q di/dt)."""
    table = {
        **PART,
        "stage:mosfet.qrr": "30 nC",
        "stage:mosfet.pulse_current": "400 A",
        "stage:mosfet.test.recovery_current": "10 A",
    }
    slope = 2 * 40 * 0.1 / 14e-9 * 4.0 / 1.6
    _, typ, _ = ends(one(given(table), "gate.turn-on-peak.low"))
    assert typ == pytest.approx(40 + math.sqrt(2 * 120e-9 * slope))
