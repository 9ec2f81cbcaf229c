"""Worst cases stand at values that the inputs can have together: one value for each input.

Judges: figures by hand, and the whole check worked at the named corner (or at draws, see
test_monte_carlo), which uses none of the search.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from itertools import product
from typing import Any

import pytest

from regmap.calc import Input, Inputs, run
from regmap.calc.box import extreme
from regmap.calc.corner import Formula, Variable, derive
from regmap.calc.inputs import ImpossibleError
from regmap.calc.program import Program
from regmap.calc.registry import Check
from regmap.calc.verdict import Verdict
from regmap.calc.work import About, Work
from regmap.quantity import parse_band
from tests.calc.parts import Part

Build = Callable[..., Inputs]
Given = Callable[[dict[str, "str | int"]], Inputs]


def rule(function: Callable[..., Any], up: str = "", down: str = "", free: str = "") -> Formula:
    """A formula without a place in the register."""
    names = [*up.split(), *down.split(), *free.split()]
    template = function.__name__ + "(" + ", ".join(f"{{{n}}}" for n in names) + ")"
    groups = [frozenset(text.split()) for text in (up, down, free)]
    return Formula(
        "test", template, "ratio", function, *groups[:2], frozenset(), "by hand", groups[2]
    )


def leaf(symbol: str, low: float, high: float) -> Variable:
    return Variable(symbol, low, (low + high) / 2, high, "ratio")


def less(a: Any, b: Any) -> Any:
    return a - b


def plus(a: Any, b: Any) -> Any:
    return a + b


def times(a: Any, b: Any) -> Any:
    return a * b


def least(a: Any, b: Any) -> Any:
    return min(a, b)


LESS, PLUS, TIMES = rule(less, "a", "b"), rule(plus, "a b"), rule(times, "a b")
LEAST = rule(least, "a b")


def ends(variable: Variable) -> tuple[float, float]:
    return variable.low, variable.high


def test_an_input_that_cancels_moves_nothing() -> None:
    q, g = leaf("Q", 60.0, 80.0), leaf("G", 10.0, 20.0)
    rest = derive("rest", LESS, {"a": q, "b": g})
    whole = derive("whole", PLUS, {"a": rest, "b": g})
    assert ends(rest) == (40.0, 70.0)
    assert ends(whole) == (60.0, 80.0)  # as if independent: 50 .. 90
    assert whole.corner(True) == ("Q max",)
    assert whole.corner(False) == ("Q min",)


def test_a_common_factor_has_one_value() -> None:
    """(Q1 + Q2) / I by way of two quotients: both with the same I; by hand 9 and 2."""

    def quotient(q: Any, i: Any) -> Any:
        return q / i

    over = rule(quotient, "q", "i")
    i = leaf("I", 1.0, 2.0)
    parts = [
        derive(n, over, {"q": leaf(n, low, low + 2), "i": i}) for n, low in (("A", 1), ("B", 4))
    ]
    ratio = derive("r", rule(quotient, "q", "i"), {"q": parts[0], "i": parts[1]})
    assert ends(ratio) == pytest.approx((1 / 6, 3 / 4))  # I drops out
    assert ratio.corner(True) == ("A max", "B min")


def test_an_extreme_between_the_ends_is_found_and_named() -> None:
    """x (1 - x) over 0.1 .. 0.8: highest 0.25 at 0.5, lowest 0.09 at 0.1."""
    x = leaf("x", 0.1, 0.8)
    one = Variable("1", 1.0, 1.0, 1.0, "ratio")
    left = derive("1-x", LESS, {"a": one, "b": x})
    value = derive("y", TIMES, {"a": x, "b": left})
    assert value.high == pytest.approx(0.25, rel=1e-9)
    assert value.low == pytest.approx(0.09, rel=1e-12)
    (name,) = value.corner(True)
    assert name.startswith("x = 0.5")
    assert value.corner(False) == ("x min",)


def test_a_formula_without_a_proven_direction_is_searched_inside_too() -> None:
    def bump(x: Any, y: Any) -> Any:
        return y - (x - 0.3) ** 2

    value = derive("y", rule(bump, "y", free="x"), {"x": leaf("x", 0.0, 1.0), "y": leaf("y", 2, 3)})
    assert value.high == pytest.approx(3.0, rel=1e-9)
    assert value.low == pytest.approx(2 - 0.49)
    assert value.corner(False) == ("x max", "y min")


def test_two_symbols_of_one_input_are_one_value_and_two_parts_are_two() -> None:
    inputs = Inputs([Input("stage:controller.clock_tolerance", parse_band("-2..2 %"), "here")])
    work = Work(About("x.y", "", ""), inputs)
    name = "stage:controller.clock_tolerance"
    a, b = work.take("tol", name), work.take("tol,ctl", name)
    assert a is not None
    assert b is not None
    gap = derive("gap", rule(less, "a", "b"), {"a": a, "b": b})
    assert ends(gap) == (0.0, 0.0)
    other = work.take("tol", name, part="the other oscillator")
    assert other is not None
    gap = derive("gap", rule(less, "a", "b"), {"a": a, "b": other})
    assert ends(gap) == pytest.approx((-0.04, 0.04))


def test_value_and_limit_share_their_inputs_too() -> None:
    """Ta on both sides of a comparison is one temperature: only the 10 K of heat count."""
    name = "stage:temperature.ambient"
    inputs = Inputs([Input(name, parse_band("-40..85 degC"), "here")])
    work = Work(About("x.y", "", ""), inputs)
    ta = work.take("Ta", name)
    hot = work.derive(
        "Tj", rule(plus, "a b"), a=ta, b=work.constant("dT", 10.0, "temperature", "heat")
    )
    top = work.derive(
        "Tmax", rule(plus, "a b"), a=ta, b=work.constant("room", 30.0, "temperature", "permitted")
    )
    verdict = work.at_most(hot, top)
    assert verdict.margin == pytest.approx(20.0)
    assert verdict.status == "holds"


def test_steps_show_what_a_variable_is_at_the_worst_corner() -> None:
    """(Q - G) + G + G at most 90: worst at Q 80, G 20, where Q - G is 60, neither end of its band."""
    work = Work(About("x.y", "", ""), Inputs([]))
    q, g = work.spread("Q", 60.0, 80.0, "ratio", "a"), work.spread("G", 10.0, 20.0, "ratio", "b")
    rest = work.derive("rest", LESS, a=q, b=g)
    once = work.derive("once", PLUS, a=rest, b=g)
    value = work.derive("twice", PLUS, a=once, b=g)
    verdict = work.at_most(value, work.constant("limit", 90.0, "ratio", "by hand"))
    assert verdict.margin == pytest.approx(-10.0)
    assert verdict.corner == "Q max, G max"
    assert "    at the worst corner: less(80, 20) = 60" in verdict.steps
    assert verdict.worst == (100.0, 90.0)


def test_impossible_only_where_the_inputs_can_be_together() -> None:
    """1 / (a - b + b) has a value although a.low - b.high + b.low would be negative."""

    def inverse(x: Any) -> Any:
        return 1 / x

    a, b = leaf("a", 1.0, 2.0), leaf("b", 0.0, 5.0)
    same = derive("s", PLUS, {"a": derive("d", LESS, {"a": a, "b": b}), "b": b})
    assert ends(derive("1/s", rule(inverse, down="x"), {"x": same})) == (0.5, 1.0)
    zero = derive("1/s", rule(inverse, down="x"), {"x": leaf("z", 0.0, 1.0)})
    with pytest.raises(ImpossibleError, match="no value"):
        _ = zero.high


def brute(variable: Variable, points: int = 5) -> tuple[float, float]:
    """Lowest and highest over a grid of all inputs, worked with the formulas alone."""
    leaves = {v.key: v for v in variable.tree() if v.formula is None and not v.exact}

    def at(node: Variable, point: dict[str, float]) -> float:
        if node.formula is None:
            return float(point.get(node.key, node.typ))
        return float(node.formula(**{n: at(a, point) for n, a in node.args.items()}))

    grids = [
        [v.low + (v.high - v.low) * step / (points - 1) for step in range(points)]
        for v in leaves.values()
    ]
    found = [at(variable, dict(zip(leaves, values, strict=True))) for values in product(*grids)]
    return min(found), max(found)


def test_no_grid_point_lies_outside_and_the_ends_are_reached() -> None:
    """Trees with inputs in common, in all shapes of three formulas."""
    shapes = 0
    for n, (first, second, third) in enumerate(product((LESS, PLUS, TIMES), repeat=3)):
        x, y, z = leaf("x", -1.0 - n % 3, 2.0), leaf("y", 0.5, 1.5 + n % 2), leaf("z", -0.5, 0.25)
        one = derive("one", first, {"a": x, "b": y})
        two = derive("two", second, {"a": y, "b": z})
        three = derive("three", third, {"a": one, "b": two})
        four = derive("four", LESS, {"a": three, "b": x})
        if any(r is TIMES for r in (first, second, third)):
            # a product of signed factors is no formula with a direction
            free = rule(times, free="a b")
            one = derive("one", free if first is TIMES else first, {"a": x, "b": y})
            two = derive("two", free if second is TIMES else second, {"a": y, "b": z})
            three = derive("three", free if third is TIMES else third, {"a": one, "b": two})
            four = derive("four", LESS, {"a": three, "b": x})
        low, high = brute(four, 9)
        slack = 1e-9
        assert four.low <= low + slack, (n, four.low, low)
        assert four.high >= high - slack, (n, four.high, high)
        for end, point in ((four.low, four.low_at), (four.high, four.high_at)):
            assert four.value_at(point) == pytest.approx(end, abs=1e-9)
        shapes += 1
    assert shapes == 27


def at_corner(check: Check, verdict: Verdict, inputs: Inputs) -> Verdict:
    """The same check once more, each input held at its value of the worst corner."""
    (found,) = [v for v in check.at(inputs, dict(verdict.at or {})) if v.check == verdict.check]
    return found


def judged(verdict: Verdict) -> bool:
    """Whether a verdict has a margin that stands at a corner."""
    return verdict.margin is not None and math.isfinite(verdict.relative or 0.0)


def test_every_named_corner_exists_and_gives_the_worst_case(part: Part) -> None:
    """The check worked at the corner's own values gives value, limit and margin as told."""
    for check, verdict in part.verdicts():
        if not judged(verdict):
            continue
        there = at_corner(check, verdict, part.inputs)
        assert there.value is not None
        limit = there.upper if verdict.worst_max else there.lower
        assert limit is not None
        value, edge = float(there.value.typ), float(limit.typ)
        margin = edge - value if verdict.worst_max else value - edge
        size = max(abs(value), abs(edge))
        assert margin == pytest.approx(verdict.margin, rel=1e-9, abs=1e-9 * size), verdict.check


def test_a_corner_names_every_input_it_needs_and_no_other(part: Part) -> None:
    for _, verdict in part.verdicts():
        if not verdict.corner or verdict.value is None or verdict.worst_max is None:
            continue
        names = verdict.corner.split(", ")
        assert len(names) == len(set(names)), verdict.check
        stems = [n.rpartition(" = ")[0] or n.rpartition(" ")[0] for n in names]
        assert len(stems) == len(set(stems)), (verdict.check, verdict.corner)


def test_the_turn_off_of_one_device_has_one_charge(given: Given) -> None:
    """Qg - Qgs - Qgd and Qgd are charges of one device: Qgd drops out of their sum.

    By hand, 200 mA without resistance: (72 - 13) nC / 160 mA + Qgs2 / 160 mA with Qgs2 = Qgs *
    1.2 / (1.6 + 1.2) at Qgs 13 nC, Vth 1.6 V. All of it falls with Qgs (1 - 0.4286 > 0).
    """
    table: dict[str, str | int] = {
        "stage:mosfet.qg": "45 / 60 / 72 nC",
        "stage:mosfet.qgs": "13 / 17 / 21 nC",
        "stage:mosfet.qgd": "8 / 11 / 15 nC",
        "stage:mosfet.vth": "1.6 / 2.0 / 2.4 V",
        "stage:mosfet.plateau": "3.2 V",
        "stage:mosfet.internal_resistance": "1 mohm",
        "role:gate.sink": "160 / 200 / 240 mA",
        "role:deadtime": "700 ns",
        "chip:deadtime_with_controller": "max",
        "chip:propagation.mismatch": "0 s",
        "stage:pwm.deadtime_margin": "50 ns",
    }
    (verdict,) = run(given(table), ["deadtime.enough.high"])
    assert verdict.lower is not None
    q = 72e-9 - 13e-9 + 13e-9 * 1.2 / (1.6 + 1.2)
    assert verdict.lower.high == pytest.approx(q / 0.160 + 50e-9, rel=1e-6)
    assert "Qgd" not in verdict.corner


@pytest.mark.parametrize("share", [0.02, 0.1, 0.3, 0.5, 0.77, 0.9, 0.99])
def test_a_peak_close_to_an_end_is_found(share: float) -> None:
    """Two ranges that one input trades for each other: the best of the weaker is where they meet."""
    zero = Variable("z", 0.0, 0.5, 1.0, "ratio")
    top = Variable("t", 2 * share, 2 * share, 2 * share, "ratio")
    weaker = derive("w", LEAST, {"a": derive("u", LESS, {"a": top, "b": zero}), "b": zero})
    # by hand: min(2 s - z, z) is highest at z = s
    assert weaker.high == pytest.approx(share, rel=1e-6)
    assert weaker.high_at["z:"] == pytest.approx(share, rel=1e-6)


def test_a_best_on_an_edge_that_runs_aslant_is_found() -> None:
    """min(0.6 + x - 2 y, 2 y - x / 2) has its best at x = 1 on the edge where both meet.

    By hand: there 4 y = 0.6 + 1.5 x and the value is 0.3 + x / 4. No single input leads along it.
    """

    def weaker(x: float, y: float) -> float:
        return min(0.6 + x - 2 * y, 2 * y - x / 2)

    value, at = extreme(
        Program(2, [(2, weaker, (0, 1))], []), [(0.0, 1.0)] * 2, [0, 0], [0, 1], highest=True
    )
    assert value == pytest.approx(0.55, rel=1e-5)
    assert at == pytest.approx([1.0, 0.525], rel=1e-4)


def test_an_edge_is_not_sought_for_long_where_there_is_none() -> None:
    """A hill with its top inside: along a ridge nothing is gained, which a few hundred looks tell, not thousands."""
    asked = []

    def hill(x: float, y: float) -> float:
        asked.append((x, y))
        return 1 - (x - 0.4) ** 2 - (y - 0.6) ** 2

    program = Program(2, [(2, hill, (0, 1))], [])
    value, _ = extreme(program, [(0.0, 1.0)] * 2, [0, 0], [0, 1], highest=True)
    assert value == pytest.approx(1, abs=1e-9)
    assert len(asked) < 1000


def test_a_best_inside_that_shows_from_another_corner_only_is_found() -> None:
    """x + 4 y (x - x^2) - y / 2 - 0.6 y x^2, by hand: from the best corner (1, 0) no single input gains anything.

    At y = 1 it is 5 x - 4.6 x^2 - 1 / 2, highest at x = 5 / 9.2 with 25 / 18.4 - 1 / 2 = 0.8587, below the corner's 1. With
    5 y (x - x^2) it is 6 x - 5.6 x^2 - 1 / 2, highest at x = 6 / 11.2 with 36 / 22.4 - 1 / 2 = 1.1071, above 1.
    """
    for share, best in ((4.0, 1.0), (5.0, 36 / 22.4 - 0.5)):

        def hill(x: float, y: float, share: float = share) -> float:
            return x + share * y * (x - x * x) - y / 2 - 0.6 * y * x * x

        program = Program(2, [(2, hill, (0, 1))], [])
        for inside in ([0], [0, 1]):
            value, _ = extreme(program, [(0.0, 1.0)] * 2, [0, 0], inside, highest=True)
            assert value == pytest.approx(best, rel=1e-9)
