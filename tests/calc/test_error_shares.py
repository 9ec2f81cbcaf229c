"""What a verdict says that the model may err by, held against what ngspice showed: no share is a number on its own.

Every verdict of a shipped stage, mode or shape that tells a model error is a row of `ROWS`: which constant it tells, which
quantity of the comparison that comes from, and how far the circuit may lie from the model before a margin
just outside the share would be wrong:

    modelled value under a limit     value <= limit (1 - e)     circuit up to 1 / (1 - e) of the model
    modelled value over a limit      value >= limit (1 + e)     circuit down to 1 / (1 + e)
    the model is the limit           value >= model (1 + e)     circuit up to 1 + e
    a part of what is compared       its share of e is kept     circuit up to 1 + e, or down to 1 - e

The simulations themselves are in test_ngspice*.py and test_shortcircuit.py; here nothing is simulated.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction
from functools import cache
from itertools import pairwise

import pytest

from regmap.assessment.stage import inputs_of
from regmap.calc import Inputs, Verdict, checks, device, run
from regmap.calc.device import DAMPED, EDGES_ERR, LONGER_EDGE_ERROR, SHORTER_EDGE_ERROR
from regmap.errors import CallError
from regmap.quantity import Band
from regmap.record import dataclass, replace
from regmap.stages.load import load_stage
from tests.calc.conftest import BUNDLED, SHAPES, make, stage_of
from tests.calc.test_ngspice import BOUNDS, STEP_BOUNDS, above, below
from tests.calc.test_ngspice_fresh import RINGING
from tests.calc.test_ngspice_hardest import RUNG, UNKNOWN, bounds_at
from tests.calc.test_ngspice_stage import BOUNDS as AROUND
from tests.calc.test_shortcircuit import SHORT_DRAIN
from tests.calc.worst import HARDEST

#: Quantity -> how far the circuit may lie above and below the model, as the tests with ngspice hold it.
HELD = {
    **BOUNDS,
    **AROUND,
    "drain after a short circuit": SHORT_DRAIN,
    **{f"{name}, ringing": band for name, band in RINGING.items()},
    **{f"{name}, damping unknown": band for name, band in UNKNOWN.items()},
}
REACH: dict[str, Callable[[float], tuple[float, float]]] = {
    "under": lambda e: (above(e), float("-inf")),
    "over": lambda e: (float("inf"), below(e)),
    "limit": lambda e: (e, float("-inf")),
    "part": lambda e: (e, float("-inf")),
    "part both ways": lambda e: (e, -e),
}


@dataclass(frozen=True)
class Claim:
    """A share that verdicts of a check tell, and the comparison behind it."""

    error: float
    quantity: str
    how: str


def _one(error: float, quantity: str, how: str) -> tuple[Claim, ...]:
    return (Claim(error, quantity, how),)


_DRAIN = (
    Claim(device.DRAIN_ERROR, "drain", "under"),
    Claim(device.RINGING_DRAIN_ERROR, "drain, ringing", "under"),
    Claim(device.RINGING_DRAIN_ERROR, "drain, damping unknown", "under"),
)
_OFF = _one(device.OFF_TIME_ERROR, "current off", "part")
_ON = _one(device.TIME_ERROR, "VDS below threshold", "part")
_HEAT = _one(device.TIME_ERROR, "switching loss", "part")
_MIDDLES = _one(device.MIDDLE_ERROR, "dead-time error", "part both ways")
#: A side stands for both.
ROWS: dict[str, tuple[Claim, ...]] = {
    "gate.rise-time": (
        Claim(SHORTER_EDGE_ERROR["source"], "voltage edge on", "over"),
        Claim(LONGER_EDGE_ERROR["source"], "voltage edge on", "under"),
    ),
    "gate.fall-time": (
        Claim(SHORTER_EDGE_ERROR["sink"], "voltage edge off", "over"),
        Claim(LONGER_EDGE_ERROR["sink"], "voltage edge off", "under"),
    ),
    "gate.dvdt": (
        Claim(device.DVDT_ERROR, "dV/dt", "under"),
        Claim(device.RINGING_DVDT_ERROR, "dV/dt, ringing", "under"),
        Claim(device.RINGING_DVDT_ERROR, "dV/dt, damping unknown", "under"),
    ),
    "gate.didt": _one(device.SLOPE_ERROR, "di/dt", "under"),
    "gate.overshoot": _DRAIN,
    "supply.load-dump-overshoot": _DRAIN,
    "supply.course-drain": _DRAIN,
    "vds.turn-off-overshoot": _one(device.OVERSHOOT_ERROR, "drain after a short circuit", "under"),
    "gate.turn-on-peak": _one(device.OVERSHOOT_ERROR, "turn-on peak", "under"),
    "gate.drive-time": _one(device.TIME_ERROR, "gate full", "under"),
    "gate.hold": _one(device.TIME_ERROR, "mean Miller current", "under"),
    "gate.miller": (
        Claim(device.MILLER_ERROR, "held gate", "under"),
        Claim(device.MILLER_ERROR, "held gate, ringing", "under"),
        Claim(device.RINGING_MILLER_ERROR, "held gate, damping unknown", "under"),
    ),
    "deadtime.enough": _one(device.OFF_TIME_ERROR, "current off", "limit"),
    "deadtime.duty-min": _one(device.TIME_ERROR, "gate full", "limit"),
    "deadtime.duty-max": _one(device.TIME_ERROR, "gate full", "limit"),
    "deadtime.voltage-error": _MIDDLES,
    "deadtime.compensated": _MIDDLES,
    "vds.blanking": _one(device.TIME_ERROR, "VDS below threshold", "limit"),
    "vds.withstand": _OFF,
    "vds.short-energy": _OFF,
    "vds.short-temperature": _OFF,
    "vds.safe-area": _OFF,
    "vds.retry": _OFF,
    "vds.retry-temperature": _OFF,
    "sense.settling": _ON,
    "sense.slew": _ON,
    "sense.one-shunt": _ON,
    "overcurrent.outlasts-spike": _one(device.SPIKE_TIME_ERROR, "spike lasts", "limit"),
    "dclink.ripple-voltage": _one(device.RIPPLE_ERROR, "link's ripple voltage", "under"),
    "thermal.mosfet": _HEAT,
    "thermal.stall": _HEAT,
    "thermal.pulses": _HEAT,
    "thermal.stated-range": _HEAT,
    "thermal.short-braking-decay": _HEAT,
}
STAGES = (*BUNDLED, "pump_second_source")


def both_sides(name: str) -> str:
    stem = name.removesuffix(".high").removesuffix(".low")
    # one verdict a course, by its name
    return "supply.course-drain" if stem.startswith("supply.course-drain.") else stem


@cache
def everywhere() -> dict[str, Inputs]:
    """Each shipped stage as it stands and in each of its modes, and each shape of the tests."""
    found = {}
    for name in STAGES:
        stage = load_stage(name)
        found[name] = stage_of(name) if name in BUNDLED else inputs_of(stage)
        found |= {f"{name} {mode}": inputs_of(at) for mode, at in stage.modes.items()}
    return found | {name: stage_of(name) for name in SHAPES}


@cache
def told() -> tuple[tuple[str, Verdict], ...]:
    """Every verdict with a model error, and where."""
    return tuple((n, v) for n, inputs in everywhere().items() for v in run(inputs) if v.model_error)


def test_every_share_is_one_of_the_comparison() -> None:
    """A check that begins to tell an error fails here until it is a row, and so does a row of which nothing is left."""
    assert {both_sides(v.check) for _, v in told()} == set(ROWS)
    assert {both_sides(c.name) for c in checks() if c.model_error} <= set(ROWS)
    seen: dict[str, set[float]] = {name: set() for name in ROWS}
    for where, verdict in told():
        claims = ROWS[both_sides(verdict.check)]
        seen[both_sides(verdict.check)].add(verdict.model_error)
        if claims[0].how.startswith("part"):
            assert 0 < verdict.model_error <= claims[0].error, (where, verdict.check)
            assert EDGES_ERR in verdict.extra, (where, verdict.check)
        else:
            assert verdict.model_error in {c.error for c in claims}, (where, verdict.check)
    for name, claims in ROWS.items():
        if not claims[0].how.startswith("part"):
            assert seen[name] == {c.error for c in claims}, name


@pytest.mark.parametrize(
    ("check", "claim"),
    [(name, claim) for name, claims in ROWS.items() for claim in claims],
    ids=lambda x: x if isinstance(x, str) else f"{x.quantity} {x.how}",
)
def test_a_share_covers_what_ngspice_may_show(check: str, claim: Claim) -> None:
    most, least = HELD[claim.quantity]
    high, low = REACH[claim.how](claim.error)
    assert most <= high + 1e-9, (
        f"{check}: the circuit may lie {most:+.0%}, the share covers {high:+.0%}"
    )
    assert least >= low - 1e-9, (
        f"{check}: the circuit may lie {least:+.0%}, the share covers {low:+.0%}"
    )


def test_gate_currents_in_steps_are_held_no_less() -> None:
    for name, (most, _) in STEP_BOUNDS.items():
        assert most <= BOUNDS[name][0], name


def test_the_worst_that_a_search_found_is_covered_with_a_reserve() -> None:
    """A twentieth of the bound at least, beyond the worst simulation known."""
    for row in HARDEST:
        most, least = bounds_at(row.damping, row.stated)[row.quantity]
        assert least * 0.95 <= row.found <= most * 0.95, row
    found = {(r.quantity, r.damping < DAMPED, r.stated) for r in HARDEST}
    for name in RUNG:
        assert {s for q, _, s in found if q == name} == {True, False}, name
    for name in ("current off", "voltage edge on", "voltage edge off"):
        assert name in {q for q, *_ in found}


# inside the band


def moved(inputs: Inputs, name: str, factor: float) -> Inputs:
    """The same stage with one input that many times as large."""
    item = inputs.known()[name]
    assert isinstance(item.value, Band)
    exact = Fraction(factor)
    ends = {k: getattr(item.value, k) * exact for k in ("low", "typ", "high")}
    return inputs.with_values([replace(item, value=replace(item.value, **ends))])


def leaves(verdict: Verdict) -> list[str]:
    """The stated quantities that the comparison hangs on, the limit's first."""
    order: dict[str, None] = {}
    for side in (verdict.upper, verdict.lower, verdict.value):
        for leaf in side.tree() if side is not None else ():
            if leaf.formula is None and leaf.origin is not None:
                order[leaf.origin.name] = None
    return list(order)


def verdict_of(inputs: Inputs, check: str) -> Verdict | None:
    """The verdict where it compares, else None: an input may not be what the search would make it."""
    try:
        (found,) = run(inputs, [check])
    except CallError:  # a junction colder than the air
        return None
    return found if found.relative is not None and math.isfinite(found.relative) else None


def met(inputs: Inputs, check: str, name: str, wanted: float) -> Verdict | None:
    """The verdict whose margin is `wanted` times its share, by moving one input; None where none is met."""

    def at(exponent: float) -> tuple[float, Verdict | None]:
        found = verdict_of(moved(inputs, name, 2**exponent), check)
        if found is None or not found.model_error:
            return math.nan, None
        assert found.relative is not None
        return found.relative / found.model_error - wanted, found

    points = [(x, *at(x)) for x in (-3, -2, -1, -0.5, 0, 0.5, 1, 2, 3)]
    for (a, fa, _), (b, fb, _) in pairwise(points):
        if not fa * fb < 0:
            continue
        for _ in range(24):
            middle = (a + b) / 2
            f, found = at(middle)
            if abs(f) < 0.05:
                return found
            if math.isnan(f):
                break
            a, b, fa = (middle, b, f) if f * fa > 0 else (a, middle, fa)
    return None


@pytest.mark.parametrize("check", ROWS)
def test_a_margin_inside_the_share_is_low_and_one_outside_holds(check: str) -> None:
    """Whatever margin the stage asks for beside: none here."""
    where = next(v.check for _, v in told() if both_sides(v.check) == check)
    places = [everywhere()[name] for name, v in told() if v.check == where]
    asked = make("stage:goals.margin", "0 %")
    for inputs in places:
        bare = inputs.with_values([asked])
        now = verdict_of(bare, where)
        for name in leaves(now) if now is not None else ():
            if name not in bare.known() or not isinstance(bare.known()[name].value, Band):
                continue
            inside, outside = (met(bare, where, name, x) for x in (0.5, 1.3))
            if inside is None or outside is None:
                continue
            assert inside.relative is not None
            assert 0 < inside.relative < inside.model_error
            assert inside.status == "low_margin"
            assert outside.status == "holds"
            assert "the model may err by" in inside.sentence()
            return
    pytest.fail("no input moves the margin into the share and out of it")
