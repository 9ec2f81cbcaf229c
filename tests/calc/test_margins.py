"""Margins go on as their inputs do, also where what a limit is worked out from is used up.

An allowed power (Tmax - Ta) / Rth, a threshold that falls with temperature, a current of the safe operating area that
is derated, or the distance of a temperature limit to where the part starts from: each shrinks to nothing and beyond.
A share of nothing is any number; a verdict there fails with a share that says "far beyond", and steadily more.
Nothing here rests on a figure from outside: it is about the comparison, whatever is compared.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from fractions import Fraction
from itertools import pairwise

import pytest

from regmap.calc import Input, Inputs, run
from regmap.calc.comparison import nearest_limit
from regmap.calc.corner import Formula, Variable, derive
from regmap.calc.inputs import parameter
from regmap.quantity import Band
from tests.calc.conftest import SHAPES, complete
from tests.calc.test_cover import both_sides

#: Checks whose limit is worked out and can be used up, with the shape that has them and inputs that use it up.
CROSSING = [
    ("vds.short-temperature.low", "current drive, charge pump", "role:deadtime"),
    ("vds.short-temperature.low", "current drive, charge pump", "stage:pwm.frequency"),
    ("vds.short-temperature.low", "current drive, charge pump", "stage:mosfet.rth"),
    ("vds.short-temperature.high", "current drive, charge pump", "stage:mosfet.tj_max"),
    ("vds.safe-area.low", "current drive, charge pump", "stage:pwm.frequency"),
    ("vds.safe-area.high", "current drive, charge pump", "stage:mosfet.rth"),
    ("vds.safe-area.high", "other choices", "stage:mosfet.temperature"),
    ("vds.retry-temperature.high", "other choices", "stage:temperature.ambient"),
    ("vds.retry.high", "other choices", "stage:temperature.ambient"),
    ("vds.retry.high", "other choices", "stage:mosfet.tj_max"),
    ("thermal.mosfet.high", "current drive, charge pump", "stage:temperature.ambient"),
    ("thermal.mosfet.high", "current drive, charge pump", "stage:mosfet.tj_max"),
    ("thermal.pulses.high", "current drive, charge pump", "stage:temperature.ambient"),
    ("thermal.stall.high", "current drive, charge pump", "stage:temperature.ambient"),
    ("thermal.short-braking-decay", "current drive, charge pump", "stage:temperature.ambient"),
    ("thermal.short-braking", "current drive, charge pump", "stage:temperature.ambient"),
    ("thermal.driver", "current drive, charge pump", "stage:temperature.ambient"),
    ("thermal.driver-on-board", "current drive, charge pump", "stage:temperature.ambient"),
    ("thermal.stated-range.high", "other choices", "stage:temperature.ambient"),
    ("thermal.vias.high", "current drive, charge pump", "stage:heatsink.temperature"),
    ("thermal.copper-temperature", "current drive, charge pump", "stage:temperature.board"),
    ("dclink.temperature", "current drive, charge pump", "stage:temperature.ambient"),
    ("gate.driver-power", "current drive, charge pump", "stage:temperature.ambient"),
    ("gate.driver-power", "current drive, charge pump", "chip:driver.tj_max"),
    ("gate.miller.low", "current drive, charge pump", "stage:mosfet.vth"),
    ("deadtime.handshake.high", "currents in steps", "stage:mosfet.vth"),
    ("bootstrap.on-time", "resistive drive, bootstrap", "chip:bootstrap.uv"),
]
#: The least share that an absurdly small limit may make: a hundredfold of it.
FLOOR = -100.0


#: Limits with a minus that are times and not used up: what a gate still needs after its first current.
NEVER = {"deadtime.duty-max", "deadtime.duty-min"}

LEFT = Formula("left", "{a} - {b}", "voltage", lambda a, b: a - b, frozenset("a"), frozenset("b"), frozenset(), "rest")  # fmt: skip


def scaled(inputs: Inputs, name: str, factor: float) -> Inputs:
    return moved(inputs, name, lambda value: value * Fraction(factor))


def carried_on(inputs: Inputs, name: str, by: float) -> Inputs:
    """A temperature carried on by so many kelvin."""
    return moved(inputs, name, lambda value: value + Fraction(by))


def moved(inputs: Inputs, name: str, by: Callable[[Fraction], Fraction]) -> Inputs:
    item = inputs.find(name)
    assert item is not None
    assert isinstance(item.value, Band)
    low, typ, high = sorted(map(by, (item.value.low, item.value.typ, item.value.high)))
    return inputs.with_values([Input(name, Band(low, typ, high, item.value.dim), item.origin)])


def moving(inputs: Inputs, name: str) -> tuple[Callable[[float], Inputs], list[float]]:
    """Ways of one input: what moves it, and the places to look at."""
    if parameter(name).dimension == "temperature":
        return lambda by: carried_on(inputs, name, by), [20.0 * n for n in range(-7, 8)]
    return lambda factor: scaled(inputs, name, factor), [2 ** (n / 2) for n in range(-6, 7)]


def share(inputs: Inputs, check: str) -> tuple[float, bool]:
    """The relative margin, and whether there is one (else a reason tells why there is none)."""
    (verdict,) = run(inputs, [check])
    assert verdict.relative is not None, verdict
    assert verdict.relative > -math.inf or verdict.reason
    return verdict.relative, verdict.relative > -math.inf


def far(one: float, two: float) -> bool:
    return abs(one - two) > 0.5 + 0.3 * max(abs(one), abs(two))


def jumps(at: Callable[[float], tuple[float, bool]], places: list[float]) -> Iterator[str]:
    """Where it leaps: a leap between two places that is no smaller however close they are."""
    known = [(x, *at(x)) for x in places]
    for left, right in pairwise(known):
        one, two = left, right
        while one[2] and two[2] and far(one[1], two[1]):
            middle = (one[0] + two[0]) / 2
            here = (middle, *at(middle))
            one, two = (one, here) if far(one[1], here[1]) else (here, two)
            if abs(two[0] - one[0]) < 1e-7 * max(abs(one[0]), 1):
                yield f"{one[1]:.0%} to {two[1]:.0%} at {one[0]:.6g}"
                break


@pytest.mark.parametrize(("check", "shape", "name"), CROSSING)
def test_a_margin_goes_on_where_its_limit_is_used_up(check: str, shape: str, name: str) -> None:
    inputs = complete(**SHAPES[shape])
    move, places = moving(inputs, name)
    known = {place: share(move(place), check) for place in places}

    def at(place: float) -> tuple[float, bool]:
        return known.get(place) or share(move(place), check)

    assert not list(jumps(at, places))
    finite = [s for s, there in known.values() if there]
    assert min(finite) >= FLOOR
    assert len(finite) > 4


@pytest.mark.parametrize("shape", ["current drive, charge pump", "other choices"])
def test_every_limit_that_can_be_used_up_is_tried(shape: str) -> None:
    """A temperature, whose margin counts from where the part starts, or a limit with a difference in it."""
    found = set()
    for verdict in run(complete(**SHAPES[shape])):
        limit = verdict.upper
        if limit is not None and verdict.relative is not None:
            formulas = [v.formula.template for v in limit.tree() if v.formula is not None]
            if limit.dim == "temperature" or any(" - " in text for text in formulas):
                found.add(both_sides(verdict.check))
    assert found
    assert found - NEVER <= {both_sides(check) for check, _, _ in CROSSING}


@pytest.mark.parametrize("value", [1e-9, 1.0, 3e6])
def test_a_share_falls_steadily_as_the_limit_falls(value: float) -> None:
    def one(symbol: str, figure: float) -> Variable:
        return Variable(symbol, figure, figure, figure, "voltage")

    shares = []
    for depth in (0, 0.01, 0.5, 0.9, 0.97, 0.979, 0.981, 0.999, 1, 1.001, 1.02, 1.5, 3, 100, 1e9):
        left = derive("Vmax", LEFT, {"a": one("a", value), "b": one("b", value * depth)})
        found = nearest_limit(one("V", value), None, left)
        assert found.used_up == (depth >= 1)
        shares.append(found.relative)
    assert shares == sorted(shares, reverse=True)
    assert len(set(shares)) == len(shares)
    assert shares[0] == 0
    assert shares[-1] > FLOOR
    # a limit that is stated as nothing has no share
    assert nearest_limit(one("V", value), None, one("Vmax", 0.0)).relative == -math.inf
    # up to fiftyfold it is the share of the limit
    assert shares[3] == pytest.approx(-9)


def test_a_limit_of_which_nothing_is_left_is_told_so() -> None:
    inputs = complete(**SHAPES["current drive, charge pump"])
    (hot,) = run(carried_on(inputs, "stage:temperature.ambient", 80), ["gate.driver-power"])
    assert hot.status == "fails"
    assert any("no limit can be given there: nothing is left of Pmax" in s for s in hot.steps)
