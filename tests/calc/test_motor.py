"""What a turning motor does to the bridge, against a circuit integrated step by step."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from regmap.calc import Inputs, run

Build = Callable[..., Inputs]


def value(inputs: Inputs, name: str) -> float:
    (verdict,) = run(inputs, [name])
    assert verdict.value is not None
    return float(verdict.value.typ)


def test_the_diodes_charge_the_link_to_the_peak_between_two_phases(build: Build) -> None:
    inputs = build(stage___motor__back_emf="60 V", stage___diode__vf="0.8 V")
    # two phases are always two diodes in series: the highest of all differences in a whole turn
    turn = np.linspace(0, 2 * np.pi, 3601)
    phases = [60 / math.sqrt(3) * np.cos(turn - k * 2 * np.pi / 3) for k in range(3)]
    peak = max(float((a - b).max()) for a in phases for b in phases)
    assert value(inputs, "motor.back-emf") == pytest.approx(peak - 1.6, rel=1e-4)
    assert run(build(("stage:motor.back_emf",)), ["motor.back-emf"]) == []


@pytest.mark.parametrize("hz", [5, 100, 800])
def test_the_braking_current_is_that_of_the_integrated_circuit(build: Build, hz: float) -> None:
    inputs = build(
        stage___motor__back_emf="20 V",
        stage___motor__phase_resistance="20 mohm",
        stage___motor__phase_inductance="50 uH",
        stage___motor__frequency_max=f"{hz} Hz",
    )
    # L di/dt = e - R i of one phase of the star by the trapezoid rule, until the start has died away
    peak, steps = 20 / math.sqrt(3), 4000
    h = 1 / hz / steps
    turns = 2 + round(8 * 50e-6 / 20e-3 * hz)
    i, squares = 0.0, 0.0
    for k in range(turns * steps):
        e = peak * (math.cos(2 * math.pi * k / steps) + math.cos(2 * math.pi * (k + 1) / steps)) / 2
        i = (i * (50e-6 / h - 10e-3) + e) / (50e-6 / h + 10e-3)
        if k >= (turns - 1) * steps:
            squares += i * i
    assert value(inputs, "motor.short-braking") == pytest.approx(
        math.sqrt(squares / steps), rel=1e-3
    )
    assert run(build(("stage:limits.braking_current",)), ["motor.short-braking"]) == []
