"""General-purpose reference libraries asked the same questions: scipy, sympy, uncertainties."""

from __future__ import annotations

import math
from collections.abc import Callable
from functools import partial

import numpy as np
import pytest
import sympy
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, optimize
from uncertainties import ufloat

from regmap.calc import Inputs, checks, run
from regmap.calc.bootstrap import lowest_bootstrap
from regmap.calc.corner import FORMULAS, Variable, derive
from regmap.calc.inputs import ImpossibleError
from regmap.calc.thermal import iterate, junction
from regmap.calc.watchdog import closed_part


@settings(max_examples=60, deadline=None)
@given(
    ta=st.floats(-40, 125),
    rth=st.floats(0.5, 40),
    pk=st.floats(0, 5),
    pc=st.floats(0.01, 3),
    a=st.floats(0.002, 0.008),
)
def test_junction_is_the_root_and_the_limit(
    ta: float, rth: float, pk: float, pc: float, a: float
) -> None:
    if rth * pc * a > 0.9:
        return
    closed = junction(ta=ta, rth=rth, pk=pk, pc=pc, a=a)
    root = optimize.brentq(lambda t: ta + rth * (pk + pc * (1 + a * (t - 25))) - t, -200, 1e5)
    assert closed == pytest.approx(root, rel=1e-9, abs=1e-7)
    assert iterate(ta, rth, pk, pc, a)[-1] == pytest.approx(root, rel=1e-6, abs=1e-4)


def test_junction_solved_by_sympy() -> None:
    t, ta, rth, pk, pc, a = sympy.symbols("t ta rth pk pc a", positive=True)
    (solution,) = sympy.solve(sympy.Eq(t, ta + rth * (pk + pc * (1 + a * (t - 25)))), t)
    ours = (ta + rth * (pk + pc * (1 - 25 * a))) / (1 - rth * pc * a)
    assert sympy.simplify(solution - ours) == 0
    assert junction(ta=85, rth=20, pk=1, pc=0.5, a=0.005) == pytest.approx(
        float(solution.subs({ta: 85, rth: 20, pk: 1, pc: 0.5, a: 0.005}))
    )


def test_runaway_is_refused(build: Callable[..., Inputs]) -> None:
    with pytest.raises(ImpossibleError, match="thermal runaway"):
        junction(ta=25.0, rth=100.0, pk=1.0, pc=2.0, a=0.006)
    (verdict,) = run(build(stage___mosfet__rth="400 K/W"), ["thermal.mosfet.low"])
    assert verdict.status == "fails"
    assert "thermal runaway" in verdict.reason


def test_periodic_bootstrap_against_an_integrated_circuit() -> None:
    vdd, vf, c, r, q, t = 12.0, 0.7, 100e-9, 8.0, 40e-9, 1.2e-6
    v = vdd - vf
    for _ in range(20):  # cycles, until the periodic state
        v -= q / c
        lowest = v
        path = integrate.solve_ivp(
            lambda _, y: (vdd - vf - y) / (r * c), (0, t), [v], rtol=1e-10, atol=1e-12
        )
        v = float(path.y[0, -1])
    assert lowest_bootstrap(vdd=vdd, vf=vf, q=q, c=c, t=t, r=r) == pytest.approx(lowest, abs=1e-6)


def symbol_of(name: str) -> sympy.Symbol:
    return sympy.Symbol(name, positive=True)


# The formulas exist once their subjects are imported.
checks()
#: Formulas whose text is plain algebra; one holds a quantity with its unit, two are integrals, which
#: test_by_hand.py holds to scipy.
ALGEBRA = sorted(
    n for n, rule in FORMULAS.items() if not any(t in rule.template for t in ("86400", "dVgs/dt"))
)


@pytest.mark.parametrize("name", ALGEBRA)
def test_text_is_what_is_calculated(name: str) -> None:
    """The formula shown to the user, read by sympy, gives the number that was calculated."""
    rule = FORMULAS[name]
    arguments = sorted(rule.up | rule.down | rule.either | rule.free)
    symbols = {arg: symbol_of(f"x_{arg}") for arg in arguments}
    text = rule.write({arg: f"x_{arg}" for arg in arguments}).replace("^", "**")
    # as it stands: to simplify maxima of terms takes seconds
    most, least = (partial(kind, evaluate=False) for kind in (sympy.Max, sympy.Min))
    expression = sympy.sympify(
        text,
        locals={**{f"x_{a}": s for a, s in symbols.items()}, "max": most, "min": least},
        evaluate=False,
    )
    read = sympy.lambdify([symbols[a] for a in arguments], expression, "math")
    rng = np.random.default_rng(7)
    tried = 0
    for _ in range(200):
        point = {
            arg: float(v)
            for arg, v in zip(arguments, rng.uniform(0.05, 3, len(arguments)), strict=True)
        }
        point.update({arg: v + 25 for arg, v in point.items() if arg in ("tj", "ts", "ta", "tmax")})
        try:
            ours = rule(**point)
        except ImpossibleError:
            continue
        theirs = read(*(point[a] for a in arguments))
        assert ours == pytest.approx(theirs, rel=1e-9, abs=1e-12)
        tried += 1
        if tried == 20:
            break
    assert tried >= 5


@pytest.mark.parametrize(
    "name",
    [
        "charge_time",
        "trip_current",
        "reading_error",
        "voltage_slope",
        "step_current",
        "longest_on_time",
    ],
)
def test_first_order_agrees_with_uncertainties(name: str) -> None:
    """For small tolerances the half-width is the sum of |df/dx| dx that `uncertainties` gives.

    That library adds independent errors as squares; here its partial derivatives are summed as
    magnitudes, since a data sheet's limits are no sigmas.
    """
    rule = FORMULAS[name]
    arguments = sorted(rule.up | rule.down | rule.either)
    rng = np.random.default_rng(11)
    values = dict(zip(arguments, map(float, rng.uniform(1, 3, len(arguments))), strict=True))
    tiny = 1e-6
    if name == "voltage_slope":
        numbers = {a: ufloat(v, tiny * v) for a, v in values.items()}
        values["ioff"] = values["ion"] / 2
        result = numbers["vs"] * numbers["ion"] / numbers["qgd"]
    elif (
        name == "longest_on_time"
    ):  # that library compares no two numbers; this one is above zero here
        numbers = {a: ufloat(v, tiny * v) for a, v in values.items()}
        result = (numbers["c"] * numbers["dv"] - numbers["qg"]) / numbers["ib"]
        assert result.nominal_value > 0
    else:
        numbers = {a: ufloat(v, tiny * v) for a, v in values.items()}
        result = rule(**numbers)
    spread = sum(abs(d) * x.std_dev for x, d in result.derivatives.items())
    band = derive(
        "y",
        rule,
        {a: Variable(a, v * (1 - tiny), v, v * (1 + tiny), "ratio") for a, v in values.items()},
    )
    assert (band.high - band.low) / 2 == pytest.approx(spread, rel=1e-4)


def test_sigma_understates_corners() -> None:
    # Why the bounds are corners: with the same inputs, a root sum of squares is narrower.
    q, i = ufloat(14e-9, 4e-9), ufloat(60e-3, 12e-3)
    rule = FORMULAS["charge_time"]
    band = derive(
        "t",
        rule,
        {
            "q": Variable("Q", 10e-9, 14e-9, 18e-9, "charge"),
            "i": Variable("I", 48e-3, 60e-3, 72e-3, "current"),
        },
    )
    assert band.high > (q / i).nominal_value + (q / i).std_dev
    assert closed_part(w=60e-3, c=0.5) == pytest.approx(30e-3)
    assert math.isclose(band.high, 18e-9 / 48e-3)
