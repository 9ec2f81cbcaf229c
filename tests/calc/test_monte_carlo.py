"""Random draws never leave the bounds: every check in each way in which a stage may derive it.

4,000 draws in the suite (GATEWORD_DRAWS=100000 for more); GATEWORD_EVERY_SHAPE=1 for every check in every
shape, GATEWORD_BOXES=3 for each shape in so many other boxes.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest

from regmap.calc import Input, Inputs
from regmap.calc.corner import FORMULAS, Formula, Variable, derive
from regmap.calc.inputs import chain, default
from regmap.calc.registry import Check
from regmap.calc.verdict import Verdict
from regmap.quantity import Band
from tests.calc.parts import Part

DRAWS = int(os.environ.get("GATEWORD_DRAWS", "4000"))
#: Boxes of inputs beside the stated one; the suite takes one for each shape, in turn.
SEEDS = (0, 212, 657)
BOXES = int(os.environ.get("GATEWORD_BOXES", "0"))


def compare(check: str, bounds: Verdict, drawn: Verdict) -> dict[str, tuple[float, float]]:
    """Hold draws against bounds; return the share of each band that the draws fill."""
    fills = {}
    for part in ("value", "lower", "upper"):
        band: Variable | None = getattr(bounds, part)
        draws: Variable | None = getattr(drawn, part)
        assert (band is None) == (draws is None), f"{check} {part}"
        if band is None or draws is None:
            continue
        low, high = float(np.min(draws.typ)), float(np.max(draws.typ))
        slack = 1e-9 * max(abs(band.low), abs(band.high))
        # the search of an extreme inside the box may miss a little; never at the end by which it is judged
        idle = 0.001 * (band.high - band.low) if part == "value" else 0.0
        below = idle if bounds.relation == "at most" else 0.0
        above = idle if bounds.relation == "at least" else 0.0
        assert band.low - slack - below <= low, f"{check} {part}: {low} < {band.low}"
        assert high <= band.high + slack + above, f"{check} {part}: {high} > {band.high}"
        if band.high > band.low:
            fills[part] = ((high - low) / (band.high - band.low), band.high)
    return fills


def reached(check: Check, bounds: Verdict, inputs: Inputs) -> int:
    """Work the check at the inputs' values that each end of a band names: it gives that very end."""
    count = 0
    for part in ("value", "lower", "upper"):
        band: Variable | None = getattr(bounds, part)
        if band is None or band.exact:
            continue
        for end, point in ((band.low, band.low_at), (band.high, band.high_at)):
            for key, value in point.items():
                leaf = band.leaves[key]
                assert leaf.low <= value <= leaf.high, (check.name, key)
            there = [v for v in check.at(inputs, point) if v.check == bounds.check]
            found = getattr(there[0], part)
            assert float(found.typ) == pytest.approx(end, rel=1e-9, abs=1e-15), (check.name, part)
            count += 1
    return count


def test_both_ends_of_every_band_are_reached(part: Part) -> None:
    for check, verdict in part.verdicts():
        reached(check, verdict, part.inputs)


def run_all(which: Sequence[Check], inputs: Inputs, seed: int) -> dict[str, float]:
    widths = {}
    for check in which:
        bounds, drawn = check.work(inputs), check.sample(inputs, DRAWS, seed)
        assert len(bounds) == len(drawn)
        for one, many in zip(bounds, drawn, strict=True):
            if one.value is None and one.reason and many.value is not None:
                continue  # impossible in a corner that no draw has to meet: refused, without a band
            for part, (fill, _) in compare(one.check, one, many).items():
                widths[f"{one.check} {part}"] = fill
    return widths


def test_draws_stay_inside_and_bounds_are_not_idle(part: Part) -> None:
    widths = run_all(part.checks, part.inputs, seed=20)
    # Bounds that no draw comes near would prove nothing: the draws fill most of every band.
    assert min(widths.values(), default=1) > 0.4, sorted(widths.items(), key=lambda w: w[1])[:4]
    assert sum(w > 0.85 for w in widths.values()) >= 0.7 * len(widths)


def moved(base: Inputs, seed: int) -> Inputs:
    """The stage with each band moved by up to 20 % and made up to half again as wide."""
    changed = []
    rng = np.random.default_rng(seed)
    for item in base.known().values():
        band = item.value
        if not isinstance(band, Band) or band.exact:
            continue
        move = Fraction(int(rng.integers(80, 121)), 100)
        wide = Fraction(int(rng.integers(0, 151)), 100)
        typ = band.typ * move
        low, high = typ - (band.typ - band.low) * wide, typ + (band.high - band.typ) * wide
        if band.low >= 0:
            low = max(low, band.low / 2)
        changed.append(Input(item.name, Band(min(low, typ), typ, max(high, typ), band.dim), "box"))
    return base.with_values(changed)


def test_draws_stay_inside_in_other_boxes(part: Part, parts: dict[str, Part]) -> None:
    turn = list(parts).index(part.name)
    for seed in [*SEEDS, *range(1000, 1000 + BOXES)][:BOXES] or [SEEDS[turn % len(SEEDS)]]:
        run_all(part.checks, moved(part.inputs, seed), seed)


def test_a_wrong_direction_is_noticed() -> None:
    def quotient(q: float, i: float) -> float:
        return q / i

    wrong = Formula(
        "wrong",
        "{q} / {i}",
        "time",
        quotient,
        frozenset({"q", "i"}),
        frozenset(),
        frozenset(),
        "a planted error",
    )
    q = Variable("Q", 1.0, 2.0, 3.0, "charge")
    i = Variable("I", 1.0, 2.0, 4.0, "current")
    band = derive("t", wrong, {"q": q, "i": i})
    assert not band.low <= 1.0 / 4.0 or not band.high >= 3.0 / 1.0


def test_every_formula_is_reached_by_some_stage(parts: dict[str, Part]) -> None:
    assert set(FORMULAS) - frozenset().union(*(part.formulas for part in parts.values())) == set()


def test_uses_are_declared_and_no_more(part: Part) -> None:
    asked: dict[str, set[str]] = {}
    for check, verdict in part.verdicts():
        asked.setdefault(check.name, set()).update(verdict.asked)
    for check in part.checks:
        declared = {n for use in check.uses for n in chain(use)}
        extra = asked.get(check.name, set()) - declared
        # Times that a fault adds to its detection are named by the map, not by the check.
        assert not extra or check.subject == "reaction", (check.name, extra)


def with_defaults(part: Part) -> Inputs:
    """All defaults of the trade stated, so that they can be scaled like any input."""
    known = part.inputs.known()
    names = dict.fromkeys(n for check in part.checks for n in check.uses if n not in known)
    added = [default(name) for name in names]
    return part.inputs.with_values([item for item in added if item is not None])


#: Constants with a unit: 25 degC has no part in this (temperatures are not scaled), but the day
#: of the standby check is in seconds and the load dump of a class in volts.
OWN_UNITS = {
    "supply.standby": "s",
    "supply.load-dump-chip": "V",
    "supply.load-dump-mosfet": "V",
    "supply.load-dump-overshoot.high": "V",
    "supply.load-dump-overshoot.low": "V",
    "thermal.copper-loss": "VA",  # the conductivity of copper
    "thermal.copper-temperature": "A",  # the charts' constant
}


@pytest.mark.parametrize("unit", ["V", "A", "s"])
def test_dimensions_agree(part: Part, unit: str) -> None:
    """Scaling a base unit scales every result by its dimension: no formula mixes its units.

    Done on the checks as a whole, at draws, so that also the formulas' declared dimensions are held.
    """
    from regmap.quantity import DIMENSIONS

    index, factor = "VAs".index(unit), Fraction(8)

    def scaled(band: Band) -> Band:
        by = factor ** band.dim[index]
        return Band(band.low * by, band.typ * by, band.high * by, band.dim)

    faults = tuple(
        replace(
            f,
            detect=scaled(f.detect) if f.detect else None,
            react=scaled(f.react) if f.react else None,
        )
        for f in part.inputs.facts.faults or ()
    )
    modes = tuple(replace(m, rate=scaled(m.rate)) for m in part.inputs.facts.failure_modes)
    seconds = factor if unit == "s" else 1
    courses = tuple(
        replace(
            c,
            points=tuple((time * seconds, scaled(level)) for time, level in c.points),
            resistance=scaled(c.resistance) if c.resistance else None,
        )
        for c in part.inputs.facts.courses
    )
    frames = {
        name: tuple(
            replace(f, waits=tuple(scaled(w) for w in f.waits))
            for f in getattr(part.inputs.facts, name)
        )
        for name in ("bring_up", "outputs_on", "to_sleep")
    }
    first = part.inputs.facts.first_wait
    facts = replace(
        part.inputs.facts,
        faults=faults,
        failure_modes=modes,
        courses=courses,
        first_wait=None if first is None else scaled(first),
        **frames,
    )
    before = with_defaults(part)
    after = before.with_values(
        [
            Input(i.name, scaled(i.value), i.origin)
            for i in before.known().values()
            if isinstance(i.value, Band)
        ],
        facts,
    )
    for check in part.checks:
        if unit in OWN_UNITS.get(check.name, ""):
            continue
        pairs = zip(check.sample(before, 16, seed=7), check.sample(after, 16, seed=7), strict=True)
        for old, new in pairs:
            for name in ("value", "lower", "upper"):
                one, other = getattr(old, name), getattr(new, name)
                assert (one is None) == (other is None), check.name
                if one is not None:
                    by = float(factor) ** DIMENSIONS[one.dim][0][index]
                    np.testing.assert_allclose(other.typ, one.typ * by, rtol=1e-9, atol=1e-15 * by)
