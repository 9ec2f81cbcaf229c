"""An adversary looks for inputs at which a check comes out beyond what it says, and finds none.

It draws, keeps the best, and draws around them (the cross-entropy method of R. Y. Rubinstein, from memory): a search of
another kind than that of the checks, which starts at the corner that they say is worst. GATEWORD_BOXES=25 takes as
many other boxes of each stage.
"""

from __future__ import annotations

import os
from fractions import Fraction

import numpy as np
import pytest

from regmap.assessment.stage import inputs_of
from regmap.calc import Input, Inputs, checks, select
from regmap.calc.corner import Variable
from regmap.calc.registry import Check
from regmap.calc.verdict import Verdict
from regmap.quantity import Band
from regmap.stages.load import load_stage
from tests.calc.parts import Part
from tests.calc.test_monte_carlo import moved

BOXES = int(os.environ.get("GATEWORD_BOXES", "0"))
DRAWS, ROUNDS, KEPT = 500, 10, 25


def furthest(
    check: Check, inputs: Inputs, verdict: Verdict, band: Variable, *, highest: bool
) -> float:
    """The highest or lowest value of the verdict that the adversary comes upon."""
    keys = [k for k, leaf in band.leaves.items() if leaf.low < leaf.high]
    low = np.array([band.leaves[k].low for k in keys])
    high = np.array([band.leaves[k].high for k in keys])
    told = band.high_at if highest else band.low_at
    rng = np.random.default_rng(len(keys))
    size = (DRAWS, len(keys))
    points = rng.random(size)
    points[: DRAWS // 2] = rng.integers(0, 2, (DRAWS // 2, len(keys)))  # at corners
    points[0] = (np.array([told.get(k, a) for k, a in zip(keys, low, strict=True)]) - low) / (
        high - low
    )
    best, there = -np.inf, points[0]
    for turn in range(ROUNDS):
        drawn = dict(zip(keys, (low + points * (high - low)).T, strict=True))
        made = check.at(inputs, drawn)
        (found,) = (v for v in made if v.check == verdict.check)
        assert found.value is not None
        values = np.broadcast_to(np.asarray(found.value.typ, float), (DRAWS,))
        score = np.where(np.isfinite(values), values if highest else -values, -np.inf)
        order = np.argsort(-score)[:KEPT]
        if score[order[0]] > best:
            best, there = float(score[order[0]]), points[order[0]].copy()
        kept = points[order]
        points = np.clip(rng.normal(kept.mean(0), 0.9 * kept.std(0) + 0.25 * 0.6**turn, size), 0, 1)
        near = DRAWS // 3
        moves = rng.normal(0, 0.3 * 0.5**turn, (near, len(keys)))
        few = rng.random((near, len(keys))) < max(0.15, 1.5 / len(keys))
        points[:near] = np.clip(there + moves * few, 0, 1)
        points[0] = there
    return best if highest else -best


def attack(check: Check, verdict: Verdict, inputs: Inputs) -> list[tuple[str, float, float]]:
    """The ends of the value's band that the adversary gets beyond: (check, what was told, what was found)."""
    band = verdict.value
    if band is None or band.exact or verdict.reason:
        return []
    beyond = []
    for highest, told in ((False, band.low), (True, band.high)):
        found = furthest(check, inputs, verdict, band, highest=highest)
        # the end by which nothing is judged is printed as well, and searched as well
        slack = 1e-6 * (band.high - band.low)
        if (found - told if highest else told - found) > slack + 1e-9 * abs(told):
            beyond.append((verdict.check, told, found))
    return beyond


def test_no_adversary_gets_beyond_a_verdict(part: Part) -> None:
    boxes = [part.inputs, *(moved(part.inputs, seed) for seed in range(100, 100 + BOXES))]
    for number, inputs in enumerate(boxes):
        for check in part.checks:
            for verdict in check.work(inputs):
                assert attack(check, verdict, inputs) == [], (number, verdict.check)


def narrowed(base: Inputs, seed: int) -> Inputs:
    """The stage with each band cut at random on both sides of its typical value, which stays.

    The plateau is that of the same part as the threshold (their stated pairs make the overdrive), so both are cut alike.
    """
    changed = []
    rng = np.random.default_rng(seed)
    pair = tuple(Fraction(int(n), 8) for n in rng.integers(0, 9, 2))
    for item in base.known().values():
        band = item.value
        if item.name == "chip:supply.operating":
            continue  # a permission, no tolerance: less of it is worse
        if isinstance(band, Band) and not band.exact:
            below, above = (Fraction(int(n), 8) for n in rng.integers(0, 9, 2))
            if item.name in ("stage:mosfet.vth", "stage:mosfet.plateau"):
                below, above = pair
            low = band.typ - below * (band.typ - band.low)
            high = band.typ + above * (band.high - band.typ)
            changed.append(Input(item.name, Band(low, band.typ, high, band.dim), "narrower"))
    return base.with_values(changed)


def test_a_narrower_box_is_never_worse(part: Part) -> None:
    """What a part of the box can do the whole of it can: no band of a narrower stage reaches beyond."""
    known = {v.check: v for _, v in part.verdicts()}
    for seed in range(1 + BOXES):
        inputs = narrowed(part.inputs, seed)
        for check in part.checks:
            for verdict in check.work(inputs):
                here, whole = verdict.value, known[verdict.check].value
                if here is None or whole is None or verdict.reason or known[verdict.check].reason:
                    continue
                if here.dim != whole.dim:  # no shortest pulse: another question then
                    continue
                slack = 1e-6 * (whole.high - whole.low) + 1e-9 * abs(whole.high)
                assert here.high <= whole.high + slack, (seed, verdict.check)
                assert here.low >= whole.low - slack, (seed, verdict.check)


@pytest.mark.parametrize(
    ("name", "seed"),
    [("coolant_pump", 105), ("pump_second_source", 119), ("pump_second_source", 125)],
)
def test_the_ringing_on_top_of_the_bump_has_one_worst_case(name: str, seed: int) -> None:
    """Steps of an integration once made peaks of their own: the highest gate voltage was missed by half a percent."""
    inputs = moved(inputs_of(load_stage(name)), seed)
    for check in checks():
        if check.name.startswith("gate.miller"):
            for verdict in check.work(inputs):
                assert attack(check, verdict, inputs) == [], verdict.check


#: A lowest di/dt that a finer search came upon: shares of the ways between the ends of its inputs, all others at their highest.
ASLANT = {
    "stage:mosfet.qgd": 0.0,
    "stage:supply.voltage": 0.9999869612779274,
    "role:gate.slew.high": 0.0,
    "stage:mosfet.qgs": 0.10099717785961909,
    "stage:mosfet.vth": 0.0,
    "stage:mosfet.vth_tempco": 0.0,
}


def test_the_end_by_which_nothing_is_judged_is_found_along_an_edge_too() -> None:
    """Crss, supply and Qgs are traded for each other there; the way along was given up half a percent of the band before its end."""
    inputs = moved(inputs_of(load_stage("fan_second_source")), 108)
    (check,) = select(["gate.didt.high"])
    (verdict,) = check.work(inputs)
    band = verdict.value
    assert band is not None
    point = {k: b.low + ASLANT.get(k, 1.0) * (b.high - b.low) for k, b in band.leaves.items()}
    (there,) = check.at(inputs, point)
    assert there.value is not None
    assert band.low <= there.value.typ + 1e-6 * (band.high - band.low)
