"""Surges and their suppressor, against a pulse integrated step by step and by hand."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest

from regmap.calc import Inputs, run

Build = Callable[..., Inputs]


def value(inputs: Inputs, name: str) -> float:
    (verdict,) = run(inputs, [name])
    assert verdict.value is not None, name
    return float(verdict.value.typ)


#: Level of a load dump without suppression in a 12 V system: 79..101 V behind 0.5..4 ohm, 40..400 ms;
#: ISO 16750-2, test A, as quoted in secondary sources.
TEST_A = {
    "stage___surge__voltage": "101 V",
    "stage___surge__resistance": "1 ohm",
    "stage___surge__duration": "400 ms",
    "stage___supply__voltage": "14 V",
}


@pytest.mark.parametrize(("breakdown", "ohms"), [("30 V", 0.02), ("24 V", 0.5), ("90 V", 0.1)])
def test_a_pulse_of_the_standard_step_by_step(build: Build, breakdown: str, ohms: float) -> None:
    inputs = build(
        **TEST_A,
        stage___suppressor__breakdown=breakdown,
        stage___suppressor__resistance=f"{ohms} ohm",
    )
    t = np.linspace(0, 2, 2_000_001)
    pulse = 14 + (101 - 14) * 10 ** (-t / 0.4)  # down to a tenth of its height after 400 ms
    knee = float(breakdown.split()[0])
    current = np.maximum(0, pulse - knee) / (1 + ohms)
    across = knee + ohms * current
    energy = float(np.trapezoid(across * current, t))
    assert value(inputs, "supply.surge-energy") == pytest.approx(energy, rel=1e-4)
    assert value(inputs, "supply.surge-chip") == pytest.approx(float(across[0]))
    assert value(inputs, "supply.surge-mosfet") == pytest.approx(float(across[0]))
    assert value(inputs, "supply.surge-current") == pytest.approx(float(current[0]))


def test_the_worst_breakdown_for_the_energy_lies_between_its_ends(build: Build) -> None:
    inputs = build(
        **TEST_A,
        stage___suppressor__breakdown="20..100 V",
        stage___suppressor__resistance="50 mohm",
    )
    (verdict,) = run(inputs, ["supply.surge-energy"])
    assert verdict.value is not None
    best = max(
        value(
            build(
                **TEST_A,
                stage___suppressor__breakdown=f"{knee} V",
                stage___suppressor__resistance="50 mohm",
            ),
            "supply.surge-energy",
        )
        for knee in range(20, 100)
    )
    assert verdict.value.high >= best
    assert verdict.value.high == pytest.approx(best, rel=1e-3)


def test_levels_that_last_by_hand(build: Build) -> None:
    inputs = build(
        stage___supply__voltage="9 / 14 / 16 V",
        stage___supply__jump_start="26 V",
        stage___supply__reverse="14 V",
        stage___supply__negative_pulse="150 V",
        stage___supply__blocking="160 V",
        stage___suppressor__breakdown="25 / 27 / 29 V",
    )
    assert value(inputs, "supply.reverse") == pytest.approx(28)
    (pulse,) = run(inputs, ["supply.negative-pulse"])
    assert pulse.status == "fails"  # 16 V + 150 V on 160 V
    assert pulse.margin is not None
    assert math.isclose(pulse.margin, -6)
    (silent,) = run(inputs, ["supply.surge-standoff"])
    assert silent.status == "fails"  # 25 V may conduct at 26 V
    (jump,) = run(inputs, ["supply.jump-start"])
    assert jump.status == "holds"


def test_a_suppressor_is_silent_in_a_load_dump_that_the_alternators_own_takes(build: Build) -> None:
    # TI SNOSDE6C, TVS selection: "higher than 24V jump start voltage and 35V suppressed load dump voltage"
    def standoff(knee: str, **more: str) -> tuple[str, float | None]:
        (verdict,) = run(
            build(
                stage___suppressor__breakdown=knee,
                stage___supply__jump_start="24 V",
                **more,
            ),
            ["supply.surge-standoff"],
        )
        return verdict.status, verdict.margin

    level = {"stage___supply__load_dump": "35 V"}
    test_b = {**level, "stage___supply__load_dump_class": "12 V test B"}
    assert standoff("36.7 V", **test_b) == ("low_margin", pytest.approx(1.7))
    assert standoff("28 V", **test_b) == ("fails", pytest.approx(-7))
    # what nothing else takes is what it is there for, and a level alone does not tell who takes it
    test_a = {**level, "stage___supply__load_dump_class": "12 V test A"}
    assert standoff("28 V", **test_a) == ("holds", pytest.approx(4))
    assert standoff("28 V", **level) == ("holds", pytest.approx(4))


def test_what_is_not_stated_is_not_asked(build: Build) -> None:
    names = (
        "surge.voltage suppressor.breakdown suppressor.current supply.jump_start supply.reverse "
        "supply.negative_pulse"
    )
    left = build(tuple(f"stage:{name}" for name in names.split()))
    found = {v.check for v in run(left, ["supply"])}
    assert not found & {
        "supply.surge-chip",
        "supply.surge-mosfet",
        "supply.surge-energy",
        "supply.surge-current",
        "supply.surge-standoff",
        "supply.jump-start",
        "supply.reverse",
        "supply.negative-pulse",
    }


def test_a_suppressor_above_the_surge_does_nothing(build: Build) -> None:
    """30 V at a suppressor of 33 V stay 30 V."""
    inputs = build(stage___surge__voltage="30 V", stage___suppressor__breakdown="33 V")
    assert value(inputs, "supply.surge-chip") == pytest.approx(30)
