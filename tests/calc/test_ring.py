"""Turn-on peak, avalanche, ringing and snubber against circuits solved in another way."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy import integrate, signal

from regmap.calc import Inputs, Verdict, run

Build = Callable[..., Inputs]


def one(inputs: Inputs, name: str) -> Verdict:
    (verdict,) = run(inputs, [name])
    return verdict


def high(verdict: Verdict) -> float:
    assert verdict.value is not None
    return float(verdict.value.high)


def test_the_ring_frequency_is_that_of_a_simulated_loop(build: Build) -> None:
    inputs = build((), stage___mosfet__coss="1 nF", stage___bridge__inductance="10 nH")
    told = one(inputs, "gate.ring-frequency").value
    assert told is not None
    # series L, C and 0.2 ohm after a step: the spacing of the peaks
    system = signal.TransferFunction([1.0], [10e-9 * 1e-9, 0.2 * 1e-9, 1.0])
    t, v = signal.step(system, T=np.linspace(0, 200e-9, 20001))
    peaks = signal.find_peaks(v)[0]
    assert 1 / np.diff(t[peaks]).mean() == pytest.approx(float(told.typ), rel=0.01)


def test_a_snubber_within_the_told_range_damps(build: Build) -> None:
    """Overshoot of the loop's step response with the snubber: less than two thirds of what it was."""
    inductance, coss, snub = 10e-9, 1e-9, 3e-9

    def overshoot(resistor: float) -> float:
        # L into Coss, with R and C of the snubber across it
        numerator = [resistor * snub, 1.0]
        denominator = [
            inductance * coss * resistor * snub,
            inductance * (coss + snub),
            resistor * snub,
            1.0,
        ]
        t = np.linspace(0, 400e-9, 20001)
        return float(signal.step((numerator, denominator), T=t)[1].max() - 1)

    bare = 1.0  # an undamped loop doubles the voltage
    for factor, status in (
        (0.5, "low_margin"),
        (1.0, "holds"),
        (2.0, "low_margin"),
        (0.1, "fails"),
    ):
        resistor = factor * math.sqrt(inductance / coss)
        inputs = build(
            (),
            stage___mosfet__coss="1 nF",
            stage___bridge__inductance="10 nH",
            stage___snubber__resistor=f"{resistor:.9f} ohm",
            stage___snubber__capacitor="3.5 nF",
        )
        assert one(inputs, "snubber.damping").status == status
        assert one(inputs, "snubber.capacitor").status == "holds"
        if status != "fails":
            assert overshoot(resistor) < 0.62 * bare
        else:
            assert overshoot(resistor) > 0.62 * bare


def test_snubber_loss_is_that_of_both_edges(build: Build) -> None:
    inputs = build(
        (),
        stage___snubber__capacitor="4.7 nF",
        stage___supply__voltage="24 V",
        stage___pwm__frequency="20 kHz",
    )
    # energy in the resistor while the capacitor charges through it, twice a period
    energy = integrate.quad(lambda t: 24**2 / 5 * math.exp(-2 * t / (5 * 4.7e-9)), 0, 1e-6)[0]
    assert high(one(inputs, "snubber.power")) == pytest.approx(2 * energy * 20e3, rel=1e-6)


def test_turn_on_peak_is_the_triangle_of_charge(build: Build) -> None:
    """At the end of the triangle the charge that has flown is Qrr: integrated step by step."""
    with_charge = build((), stage___mosfet__qrr="30 nC")
    verdict = one(with_charge, "gate.turn-on-peak.low")
    assert verdict.value is not None
    slope, load = verdict.value.args["didt"].typ, verdict.value.args["ipk"].typ
    current = charge = 0.0
    step = 1e-12
    while charge < 30e-9:
        current += slope * step
        charge += current * step
    assert float(verdict.value.typ) - load == pytest.approx(current, rel=1e-3)
    more = one(build((), stage___mosfet__qrr="30 nC", stage___mosfet__coss="1 nF"), verdict.check)
    assert high(more) > high(verdict)
    assert run(build(("stage:mosfet.qrr",)), [verdict.check]) == []


def test_avalanche_energy_is_that_of_a_clamped_coil(build: Build) -> None:
    inputs = build((), stage___supply__voltage="16 V", stage___bridge__inductance="10 nH")
    # current falls by (40 V - 16 V) / L while the switch holds 40 V
    rate = (40 - 16) / 10e-9
    energy = integrate.quad(lambda t: 40 * (50 - rate * t), 0, 50 / rate)[0]
    assert high(one(inputs, "gate.avalanche")) == pytest.approx(energy, rel=1e-9)
    hopeless = one(build((), stage___supply__voltage="41 V"), "gate.avalanche")
    assert hopeless.status == "fails"
    assert "drain-source rating" in hopeless.reason


def test_output_capacitance_lowers_the_told_peaks(build: Build) -> None:
    """It was no input: slope and overshoot of turn-off were those of an unloaded node."""
    before = build((), stage___mosfet__qrr="30 nC", role___gate__sink="2 A")
    after = build(
        (), stage___mosfet__qrr="30 nC", role___gate__sink="2 A", stage___mosfet__coss="4 nF"
    )
    for name in ("gate.dvdt.low", "gate.overshoot.low"):
        assert high(one(after, name)) < high(one(before, name)), name
    # never below what the load's current can do to both capacitances
    assert high(one(after, "gate.dvdt.low")) <= 50 / (2 * 4e-9) * (1 + 1e-9)
    # and its charge heats
    assert high(one(after, "thermal.mosfet.low")) > high(one(before, "thermal.mosfet.low"))


def test_common_source_inductance_slows_a_resistive_drive_only(build: Build) -> None:
    resistive = {
        "chip___drive__resistance__source": "10 ohm",
        "chip___drive__resistance__sink": "10 ohm",
    }
    without = ("role:gate.source", "role:gate.sink", "role:gate.hold")
    plain = high(one(build(without, **resistive), "gate.didt.low"))
    slowed = build(without, **resistive, stage___bridge__source_inductance="1 nH")
    found = high(one(slowed, "gate.didt.low"))
    assert found < plain
    # fixed point of Ig = (u - L di/dt) / R with di/dt in proportion to Ig
    verdict = one(slowed, "gate.didt.low").value
    assert verdict is not None
    part = verdict.args["a"]
    slope, u = part.args["slope"].typ, part.args["u"].typ
    solved = 0.0
    for _ in range(200):
        solved = (solved + slope * (u - 1e-9 * solved) / u) / 2
    assert float(part.typ) == pytest.approx(solved, rel=1e-9)
    current = build((), stage___bridge__source_inductance="1 nH")
    assert high(one(current, "gate.didt.low")) == pytest.approx(
        high(one(build(), "gate.didt.low")), rel=1e-9
    )


def test_resistors_share_the_power_of_the_gate(build: Build) -> None:
    inputs = build(
        (),
        stage___gate__resistor__on="10 ohm",
        stage___gate__resistor__off="10 ohm",
        stage___mosfet__internal_resistance="10 ohm",
        stage___mosfet__qg="60 nC",
        stage___pwm__frequency="20 kHz",
        chip___gate__voltage__low="10 V",
    )
    # equal resistances take half each of Qg Vg f
    assert high(one(inputs, "gate.resistor-power.low")) == pytest.approx(60e-9 * 10 * 20e3 / 2)
