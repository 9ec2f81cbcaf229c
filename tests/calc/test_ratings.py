"""The weakest of what stands on the supply decides, and what a load dump as a course does there; by hand.

That each part of a circuit has to stand the voltage across it is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from regmap.calc import Inputs, run
from regmap.calc.verdict import Verdict

Build = Callable[..., Inputs]


def one(inputs: Inputs, name: str) -> Verdict:
    (verdict,) = [v for v in run(inputs, [name.rpartition(".ld")[0] or name]) if v.check == name]
    return verdict


@pytest.mark.parametrize(
    ("capacitor", "mosfet", "chip", "symbol"),
    [
        ("50 V", "60 V", "40 V", "Vs,abs"),
        ("63 V", "40 V", "45 V", "Vds,max"),
        ("35 V", "40 V", "45 V", "Vc,max"),
        (None, "40 V", "45 V", "Vds,max"),
        (None, "60 V", "45 V", "Vs,abs"),
    ],
)
@pytest.mark.parametrize("check", ["motor.back-emf", "dclink.regeneration", "supply.jump-start"])
def test_the_weakest_rating_is_the_limit(
    build: Build, check: str, capacitor: str | None, mosfet: str, chip: str, symbol: str
) -> None:
    stated = {"stage___mosfet__vds_max": mosfet, "chip___supply__max": chip}
    left: tuple[str, ...] = ("stage:dclink.voltage_max",)
    if capacitor is not None:
        stated["stage___dclink__voltage_max"], left = capacitor, ()
    verdict = one(
        build(
            left,
            stage___motor__back_emf="44 V",
            stage___diode__vf="0.6 V",
            stage___supply__voltage="24 V",
            stage___supply__jump_start="42.8 V",
            # 24 V and E = C (42.8^2 - 24^2) / 2 give 42.8 V as well
            stage___dclink__capacitor="1 mF",
            stage___motor__braking_energy="0.62792 J",
            **stated,
        ),
        check,
    )
    limit = min(float(v.split()[0]) for v in (capacitor or "1e9 V", mosfet, chip))
    assert verdict.upper is not None
    assert verdict.upper.symbol == symbol
    assert verdict.margin == pytest.approx(limit - 42.8, abs=1e-3)
    assert (verdict.status == "fails") == (limit < 42.8)
    told = " ".join(map(str, verdict.extra))
    assert f"the MOSFETs {mosfet}" in told
    assert f"the chip {chip}" in told


def test_a_chip_with_a_supply_of_its_own_does_not_stand_on_the_bridges(build: Build) -> None:
    inputs = build(
        stage___motor__back_emf="50 V",
        stage___supply__driver="12 V",
        stage___dclink__voltage_max="63 V",
        stage___mosfet__vds_max="80 V",
    )
    verdict = one(inputs, "motor.back-emf")
    assert verdict.status == "holds"
    assert verdict.upper is not None
    assert verdict.upper.symbol == "Vc,max"


def test_the_capacitor_stands_what_the_supply_does_for_a_moment(build: Build) -> None:
    """70 V of a load dump and 68.57 V of a surge on 63 V: 66 + 0.05 (120 - 66) / 1.05 by hand."""
    changes = {
        "stage___supply__load_dump": "70 V",
        "stage___surge__voltage": "120 V",
        "stage___surge__resistance": "1 ohm",
        "stage___suppressor__breakdown": "60..66 V",
        "stage___suppressor__resistance": "50 mohm",
        "stage___dclink__voltage_max": "63 V",
    }
    found = {v.check: v for v in run(build(**changes), ["dclink.transients"])}
    for event, volts in (("load-dump", 70.0), ("surge", 66 + 0.05 * 54 / 1.05)):
        verdict = found[f"dclink.transients.{event}"]
        assert verdict.status == "fails"
        assert verdict.margin == pytest.approx(63 - volts)
    assert [v for n, v in found.items() if n.endswith(".dump")]
    # the MOSFETs stand in for it elsewhere: they have verdicts of their own
    left = {k: v for k, v in changes.items() if "voltage_max" not in k}
    without = build(("stage:dclink.voltage_max",), **left)
    assert run(without, ["dclink.transients"]) == []


def test_the_overshoot_stands_on_a_course_as_on_a_level(build: Build) -> None:
    """A load dump has one overshoot, however it is stated: as a level, or as a course that peaks there."""
    (course,) = [c for c in build().facts.courses if c.kind == "load dump"]
    top = max(band.high for _, band in course.points)
    stated = build(
        stage___supply__load_dump=f"{float(top)} V", stage___suppressor__breakdown="99 V"
    )
    sides = [one(stated, f"supply.load-dump-overshoot.{side}") for side in ("high", "low")]
    (as_course,) = run(stated, ["supply.course-drain"])
    assert as_course.check == f"supply.course-drain.{course.name}"
    margins = [v.margin for v in sides if v.margin is not None]
    assert as_course.margin == pytest.approx(min(margins))
    assert as_course.model_error == max(v.model_error for v in sides)


def test_a_course_drives_a_peak_current_through_the_suppressor(build: Build) -> None:
    """(58 V - 34 V) / (2 ohm + 30 mohm) = 11.82 A by hand; a course without a resistance tells none."""
    inputs = build(
        stage___suppressor__breakdown="34..38 V",
        stage___suppressor__resistance="30 mohm",
        stage___suppressor__current="11 A",
    )
    (course,) = [c for c in inputs.facts.courses if c.kind == "load dump"]
    assert course.resistance is not None
    (verdict,) = run(inputs, ["supply.course-current"])
    top, ohms = max(b.high for _, b in course.points), float(course.resistance.low)
    assert verdict.value is not None
    assert verdict.value.high == pytest.approx(max(0.0, float(top) - 34) / (ohms + 0.03))
    bare = replace(course, resistance=None)
    facts = replace(
        inputs.facts, courses=tuple(bare if c is course else c for c in inputs.facts.courses)
    )
    (untold,) = run(Inputs(inputs.known().values(), facts), ["supply.course-current"])
    assert untold.status == "not_computed"
    assert untold.missing == (f"courses.{course.name}.resistance",)
    assert run(build(("stage:suppressor.current",)), ["supply.course-current"]) == []
