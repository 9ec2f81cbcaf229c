"""Formulas over tolerance bands: min, typ and max, and the corner that makes each extreme.

A formula is a plain function of named arguments, together with the direction in which each
argument moves the result:

    up      the result rises (or stays) when the argument rises, everywhere in the box
    down    the result falls (or stays) when the argument rises
    either  monotone for fixed values of the others, but the sign depends on them

With `up` and `down` alone the extremes stand at one known corner each. An `either` argument is
tried at both ends; that is exact too, since a function that is monotone in each argument alone
takes its extremes at corners of the box. Tests hold every declared direction against 100,000 draws.

A derived variable is a band again and enters the next formula as if it were independent of the
other arguments. Where two share an input this can only widen the result, never narrow it: the
bounds stay safe.

Functions are written with the operators and with the helpers below, which take floats and numpy
arrays alike, so that the same code serves the corners and the Monte Carlo draws.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import product
from string import Formatter
from typing import TYPE_CHECKING, Any

from ..quantity import DIMENSIONS, show
from .inputs import ImpossibleError

if TYPE_CHECKING:
    from .inputs import Input

Ends = tuple[tuple[str, bool], ...]  # (argument, at its max?) of one corner


def smaller(a: Any, b: Any) -> Any:
    """The smaller of two, of floats or of arrays element by element."""
    try:
        return a if a < b else b
    except ValueError:  # arrays have no single truth
        import numpy

        return numpy.minimum(a, b)


def larger(a: Any, b: Any) -> Any:
    """The larger of two, of floats or of arrays element by element."""
    try:
        return a if a > b else b
    except ValueError:
        import numpy

        return numpy.maximum(a, b)


def decay(x: Any) -> Any:
    """exp(-x), of a float or an array."""
    try:
        return math.exp(-x)
    except TypeError:
        import numpy

        return numpy.exp(-x)


def any_of(condition: Any) -> bool:
    """Whether a condition holds, for an array whether it holds anywhere."""
    found = getattr(condition, "any", None)
    return bool(condition) if found is None else bool(found())


@dataclass(frozen=True, slots=True)
class Formula:
    """A function with its text, its dimension and the direction of each argument.

    `template` is the right-hand side with the arguments in braces, `dim` a key of DIMENSIONS,
    `source` the publication that states it, or that it is common practice without one.
    """

    name: str
    template: str
    dim: str
    function: Callable[..., Any]
    up: frozenset[str]
    down: frozenset[str]
    either: frozenset[str]
    source: str

    def write(self, values: dict[str, str]) -> str:
        """The right-hand side with `values` put in for the arguments."""
        return self.template.format(**values)

    def __call__(self, **values: Any) -> Any:
        return self.function(**values)


#: Every formula of the room by the name of its function; tests walk over it.
FORMULAS: dict[str, Formula] = {}


def formula(
    template: str, dim: str, *, up: str = "", down: str = "", either: str = "", source: str
) -> Callable[[Callable[..., Any]], Formula]:
    """Make a Formula of a function; `up`, `down` and `either` list argument names."""

    def make(function: Callable[..., Any]) -> Formula:
        name = function.__name__
        named = {field for _, field, _, _ in Formatter().parse(template) if field}
        groups = [frozenset(text.split()) for text in (up, down, either)]
        listed = [arg for group in groups for arg in group]
        code = function.__code__
        taken = set(code.co_varnames[: code.co_argcount + code.co_kwonlyargcount])
        if not taken == set(listed) == named or len(listed) != len(taken) or dim not in DIMENSIONS:
            raise TypeError(f"formula {name}: text, directions and arguments do not agree")
        made = Formula(name, template, dim, function, groups[0], groups[1], groups[2], source)
        FORMULAS[name] = made
        return made

    return make


class Variable:
    """One quantity of a derivation: a band in base units with the way it came about.

    `symbol` is its name in formulas; `low`, `typ`, `high` are floats (in Monte Carlo runs `typ` is
    an array of draws, and the bounds are the same array). It comes from an `origin` (an input), or
    from `formula` with `args`; `at_low` and `at_high` say at which ends of the arguments its
    extremes stand.
    """

    __slots__ = (
        "args",
        "at_high",
        "at_low",
        "dim",
        "formula",
        "high",
        "low",
        "note",
        "origin",
        "symbol",
        "typ",
    )

    def __init__(
        self,
        symbol: str,
        low: Any,
        typ: Any,
        high: Any,
        dim: str,
        *,
        origin: Input | None = None,
        note: str = "",
        formula: Formula | None = None,
        args: dict[str, Variable] | None = None,
        at_low: Ends = (),
        at_high: Ends = (),
    ) -> None:
        self.symbol, self.low, self.typ, self.high, self.dim = symbol, low, typ, high, dim
        self.origin, self.note = origin, note
        self.formula, self.args = formula, args or {}
        self.at_low, self.at_high = at_low, at_high

    @property
    def exact(self) -> bool:
        """Whether the band has no width."""
        return bool(self.low == self.high)

    def text(self, which: str = "band") -> str:
        """`min`, `typ` or `max` with the unit, or the whole band."""
        if which != "band":
            value = {"min": self.low, "typ": self.typ, "max": self.high}[which]
            return show_value(value, self.dim)
        if self.exact:
            return show_value(self.typ, self.dim)
        return " / ".join(show_value(v, self.dim) for v in (self.low, self.typ, self.high))

    def corner(self, at_max: bool) -> tuple[str, ...]:
        """The inputs at the corner of one extreme, as `Qgd max`; exact inputs are left out."""
        found: dict[str, None] = {}

        def walk(variable: Variable, high: bool) -> None:
            if variable.formula is not None:
                for name, end in variable.decisive(high):
                    walk(variable.args[name], end)
            elif not variable.exact:
                found[f"{variable.symbol} {'max' if high else 'min'}"] = None

        walk(self, at_max)
        return tuple(found)

    def decisive(self, at_max: bool) -> Ends:
        """The ends of the arguments that make an extreme, without those that change nothing."""
        assert self.formula is not None
        ends = self.at_high if at_max else self.at_low
        at = {n: self.args[n].high if end else self.args[n].low for n, end in ends}
        extreme = self.formula(**at)
        found = []
        for name, end in ends:
            arg = self.args[name]
            if arg.exact:
                continue
            try:
                moved = self.formula(**{**at, name: arg.low if end else arg.high})
            except (ZeroDivisionError, ImpossibleError):
                moved = None
            if moved != extreme:
                found.append((name, end))
        return tuple(found)

    def tree(self) -> Iterator[Variable]:
        """This variable and all it came from, sources first, each once."""
        seen: set[int] = set()

        def walk(variable: Variable) -> Iterator[Variable]:
            if id(variable) in seen:
                return
            seen.add(id(variable))
            for arg in variable.args.values():
                yield from walk(arg)
            yield variable

        yield from walk(self)

    def step(self, *, worst_max: bool | None = None) -> tuple[str, ...]:
        """The derivation of this variable: the formula, with numbers, and both extremes."""
        if self.formula is None:
            return ()
        symbols = {name: arg.symbol for name, arg in self.args.items()}
        typical = {name: _inside(arg.text("typ")) for name, arg in self.args.items()}
        lines = [
            f"{self.symbol} = {self.formula.write(symbols)}",
            f"    typ: {self.formula.write(typical)} = {self.text('typ')}",
        ]
        if not self.exact:
            for label, ends, high in (("min", self.at_low, False), ("max", self.at_high, True)):
                put_in = {
                    name: _inside(self.args[name].text("max" if end else "min"))
                    for name, end in ends
                }
                mark = "  <- worst" if worst_max is high else ""
                text = f"    {label}: {self.formula.write(put_in)} = {self.text(label)}"
                corner = ", ".join(
                    f"{self.args[name].symbol} {'max' if end else 'min'}"
                    for name, end in self.decisive(high)
                )
                lines.append(f"{text}  ({corner}){mark}")
        return tuple(lines)


def show_value(value: float, dim: str, digits: int = 4) -> str:
    """A float in base units as text with the unit of its dimension."""
    exponents, unit = DIMENSIONS[dim]
    if dim == "faults":
        return f"{value:g} fault{'s' * (value != 1)}"
    if dim == "temperature coefficient":
        unit = "%/K" if abs(value) >= 1e-3 else "ppm/K"
    elif dim == "voltage drift":
        unit = "mV/K" if abs(value) >= 1e-3 else "uV/K"
    fixed = (unit.endswith("/K") and unit != "K/W") or unit in ("%", "V/V", "Ah", "d")
    return show(value, exponents, digits, unit if fixed else None)


def _inside(text: str) -> str:
    """A value within a formula: a negative one in parentheses."""
    return f"({text})" if text.startswith("-") else text


def derive(symbol: str, rule: Formula, args: dict[str, Variable]) -> Variable:
    """Evaluate a formula over the box of its arguments.

    Raises ImpossibleError when the formula has no value somewhere in the box.
    """
    function = rule.function
    try:
        typ = function(**{name: arg.typ for name, arg in args.items()})
        low_ends: list[tuple[str, Variable, bool]] = []
        free: list[tuple[str, Variable]] = []
        for name, arg in args.items():
            if name in rule.either and not arg.exact:
                free.append((name, arg))
            else:
                low_ends.append((name, arg, name in rule.down))
        at_low = {name: (arg.high if end else arg.low) for name, arg, end in low_ends}
        at_high = {name: (arg.low if end else arg.high) for name, arg, end in low_ends}
        best_low = best_high = None
        for pattern in product((False, True), repeat=len(free)):
            chosen = {
                name: (arg.high if end else arg.low)
                for (name, arg), end in zip(free, pattern, strict=True)
            }
            low, high = function(**at_low, **chosen), function(**at_high, **chosen)
            if best_low is None or low < best_low[0]:
                best_low = (low, pattern)
            if best_high is None or high > best_high[0]:
                best_high = (high, pattern)
    except ZeroDivisionError:
        zero = [arg.symbol for arg in args.values() if arg.low <= 0 <= arg.high]
        what = ", ".join(zero) or "a denominator"
        raise ImpossibleError(f"{symbol} has no value: {what} can be zero") from None
    except OverflowError:
        raise ImpossibleError(f"{symbol} has no value: numbers beyond any hardware") from None
    assert best_low is not None
    assert best_high is not None

    def ends(pattern: tuple[bool, ...], *, high: bool) -> Ends:
        fixed = [(name, end != high) for name, _, end in low_ends]
        return (*fixed, *((name, end) for (name, _), end in zip(free, pattern, strict=True)))

    return Variable(
        symbol,
        min(best_low[0], typ),
        typ,
        max(best_high[0], typ),
        rule.dim,
        formula=rule,
        args=args,
        at_low=ends(best_low[1], high=False),
        at_high=ends(best_high[1], high=True),
    )
