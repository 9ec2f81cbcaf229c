"""Formulas over tolerance bands: min, typ and max, and the corner that makes each extreme.

A formula is a plain function of named arguments, together with the direction in which each
argument moves the result:

    up      the result rises (or stays) when the argument rises, everywhere in the box
    down    the result falls (or stays) when the argument rises
    either  monotone for fixed values of the others, but the sign depends on them
    free    nothing is proven: the inside is searched too

A derived variable knows the whole tree of formulas down to the inputs, and its extremes are sought
over the inputs, each of which has one value however many formulas it enters (Qg - Qgd and Qgd of
one device are not independent). So a corner can exist, and no combination that cannot is counted.
What only one branch of the tree depends on is worked once, on its own. The signs along all paths
decide which end of an input is worst; where they agree that is a proof, where they do not both
ends are tried and the inside is searched (see `box`). Tests hold every declared direction, and the
extremes of every check, against 100,000 draws.

Who writes a check needs none of this: take inputs, derive, compare. Only what is one line of a
data sheet but two parts (the switch that turns off, the other one that turns on) has to be taken
twice, as `work.take(symbol, name, part="the other switch")`.

Functions are written with the operators and with the helpers below, which take floats and numpy
arrays alike, so that the same code serves the corners and the Monte Carlo draws.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from string import Formatter
from typing import TYPE_CHECKING, Any

from regmap.record import dataclass

from ..quantity import DIMENSIONS, plural, show
from .box import extreme
from .inputs import ImpossibleError
from .reduction import Reduced, reduce_variable

if TYPE_CHECKING:
    from .inputs import Input

#: Values of inputs by their key; what is not in it stands at its typical value.
Point = Mapping[str, float]
#: A change below this share of the figures is rounding.
_NOISE = 1e-12
#: How far rounding may have moved an argument on its way here, as a share; some steps of a float.
_STEPS = 2.0**-49
#: Below this, in base units, a result may be what rounding leaves of terms that cancel.
_SMALL = 1e-9


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


def rise(x: Any) -> Any:
    """1 - exp(-x), exact for a small x too, of a float or an array."""
    try:
        return -math.expm1(-x)
    except TypeError:
        import numpy

        return -numpy.expm1(-x)


def log(x: Any) -> Any:
    """Natural logarithm of a float or an array."""
    try:
        return math.log(x)
    except TypeError:
        import numpy

        return numpy.log(x)


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
    free: frozenset[str] = frozenset()

    @property
    def order(self) -> tuple[str, ...]:
        """The arguments in the order in which the function takes them."""
        code = self.function.__code__
        return code.co_varnames[: code.co_argcount]

    def direction(self, name: str) -> int:
        """1 where the result rises with this argument, -1 where it falls, 0 where neither is told."""
        return (name in self.up) - (name in self.down)

    def write(self, values: dict[str, str]) -> str:
        """The right-hand side with `values` put in for the arguments."""
        return self.template.format(**values)

    def __call__(self, **values: Any) -> Any:
        return self.function(**values)


#: Every formula of the room by the name of its function; tests walk over it.
FORMULAS: dict[str, Formula] = {}


def formula(
    template: str,
    dim: str,
    *,
    up: str = "",
    down: str = "",
    either: str = "",
    free: str = "",
    source: str,
) -> Callable[[Callable[..., Any]], Formula]:
    """Make a Formula of a function; `up`, `down`, `either` and `free` list argument names."""

    def make(function: Callable[..., Any]) -> Formula:
        name = function.__name__
        named = {field for _, field, _, _ in Formatter().parse(template) if field}
        groups = [frozenset(text.split()) for text in (up, down, either, free)]
        listed = [arg for group in groups for arg in group]
        code = function.__code__
        taken = set(code.co_varnames[: code.co_argcount])
        if not taken == set(listed) == named or len(listed) != len(taken) or dim not in DIMENSIONS:
            raise TypeError(f"formula {name}: text, directions and arguments do not agree")
        rises, falls, both, unproven = groups
        if name in FORMULAS:
            raise TypeError(f"formula {name} is there twice")
        made = Formula(name, template, dim, function, rises, falls, both, source, unproven)
        FORMULAS[name] = made
        return made

    return make


class Variable:
    """One quantity of a derivation: a band in base units with the way it came about.

    `symbol` is its name in formulas; `low`, `typ`, `high` are floats (in Monte Carlo runs `typ` is
    an array of draws, and the bounds are the same array). It is an input (with its `origin`, or a
    `note` that says what it is), or it comes from `formula` with `args`; then its extremes are
    sought when they are first asked for, and `low_at` and `high_at` say for which values of the
    inputs. Inputs with one `key` are one input.
    """

    __slots__ = (
        "_high",
        "_leaves",
        "_low",
        "_reduction",
        "args",
        "dim",
        "formula",
        "key",
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
        key: str = "",
        formula: Formula | None = None,
        args: dict[str, Variable] | None = None,
    ) -> None:
        self.symbol, self.typ, self.dim = symbol, typ, dim
        self.origin, self.note = origin, note
        self.formula, self.args = formula, args or {}
        self.key = key or f"{symbol}:{note}"
        self._leaves: dict[str, Variable] | None = None
        self._reduction: Reduced | None = None
        self._low: tuple[Any, Point] | None = None
        self._high: tuple[Any, Point] | None = None
        if low is not None:
            self._low, self._high = (low, {self.key: low}), (high, {self.key: high})

    def _lowest(self) -> tuple[Any, Point]:
        if self._low is None:
            self._low = _extreme(self, highest=False)
        return self._low

    def _highest(self) -> tuple[Any, Point]:
        if self._high is None:
            self._high = _extreme(self, highest=True)
        return self._high

    def reduced(self) -> Reduced:
        """What it is a function of (see `reduction`), worked once."""
        if self._reduction is None:
            self._reduction = reduce_variable(self)
        return self._reduction

    @property
    def low(self) -> Any:
        """Its lowest value. Raises ImpossibleError where it has none somewhere."""
        return self._lowest()[0]

    @property
    def high(self) -> Any:
        """Its highest value. Raises ImpossibleError where it has none somewhere."""
        return self._highest()[0]

    @property
    def low_at(self) -> Point:
        """The inputs' values at its lowest value."""
        return self._lowest()[1]

    @property
    def high_at(self) -> Point:
        """The inputs' values at its highest value."""
        return self._highest()[1]

    @property
    def exact(self) -> bool:
        """Whether the band has no width."""
        return bool(self.low == self.high)

    @property
    def leaves(self) -> dict[str, Variable]:
        """The inputs with a width that it depends on, by key."""
        if self._leaves is None:
            if self.formula is None:
                self._leaves = {} if self.exact else {self.key: self}
            else:
                self._leaves = {k: v for a in self.args.values() for k, v in a.leaves.items()}
        return self._leaves

    def value_at(self, point: Point, known: dict[int, Any] | None = None) -> Any:
        """Its value where the inputs have these values. Raises ImpossibleError where it has none.

        `known` keeps what was worked at one point, by the `id` of its variable, for others that hang on it.
        """
        known = {} if known is None else known

        def at(variable: Variable) -> Any:
            if variable.formula is None:
                return point.get(variable.key, variable.typ)
            found = known.get(id(variable))
            if found is None:
                args = {name: at(arg) for name, arg in variable.args.items()}
                found = known[id(variable)] = without_residue(variable.formula, args)
            return found

        with _told(self):
            return at(self)

    def text(self, which: str = "band") -> str:
        """`min`, `typ` or `max` with the unit, or the whole band."""
        if which != "band":
            value = {"min": self.low, "typ": self.typ, "max": self.high}[which]
            return show_value(value, self.dim)
        if self.exact:
            return show_value(self.typ, self.dim)
        return " / ".join(show_value(v, self.dim) for v in (self.low, self.typ, self.high))

    def corner(self, at_max: bool) -> tuple[str, ...]:
        """The inputs at one extreme, as `Qgd max`; what changes nothing is left out."""
        return corner_names(self.high_at if at_max else self.low_at, self)

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

    def step(self, *, worst_max: bool | None = None, at: Point | None = None) -> tuple[str, ...]:
        """The derivation of this variable: the formula, with numbers, both extremes and where they stand.

        With `at` also its value there, where that is neither extreme.
        """
        if self.formula is None:
            return ()
        symbols = {name: arg.symbol for name, arg in self.args.items()}
        lines = [f"{self.symbol} = {self.formula.write(symbols)}", f"    typ: {self._with({})}"]
        try:
            if self.exact:
                return tuple(lines)
            for label, point, high in (("min", self.low_at, False), ("max", self.high_at, True)):
                mark = "  <- worst" if worst_max is high else ""
                lines.append(
                    f"    {label}: {self._with(point)}  ({', '.join(self.corner(high))}){mark}"
                )
            if at is not None:
                here = self.value_at(at)
                if not any(_same(here, end) for end in (self.low, self.high)):
                    lines.append(f"    at the worst corner: {self._with(at)}")
        except ImpossibleError as error:
            lines.append(f"    {error}")
        return tuple(lines)

    def _with(self, point: Point) -> str:
        """The formula with the numbers of a point, and its result."""
        assert self.formula is not None
        known: dict[int, Any] = {}
        put_in = {
            n: _inside(show_value(a.value_at(point, known), a.dim)) for n, a in self.args.items()
        }
        return f"{self.formula.write(put_in)} = {show_value(self.value_at(point, known), self.dim)}"


def corner_names(
    point: Point, variable: Variable, against: Variable | None = None
) -> tuple[str, ...]:
    """The inputs that make a corner of `variable` (less `against`), as `Qgd max` or `x = 0.5`.

    Left out is what could as well stand at its other end.
    """
    both = (variable,) if against is None else (variable, against)
    leaves = {k: v for part in both for k, v in part.leaves.items()}
    nodes = {id(v): v for part in both for v in part.tree()}

    def at(there: Point, known: dict[int, Any]) -> tuple[float, float]:
        values = [float(v.value_at(there, known)) for v in both]
        return values[0] - sum(values[1:]), max(map(abs, values))

    base: dict[int, Any] = {}
    here, size = at(point, base)
    found = []
    for key, leaf in leaves.items():
        value = point.get(key, leaf.typ)
        stands = {n: v for n, v in base.items() if key not in nodes[n].leaves}
        for end in (leaf.low, leaf.high):
            if end == value:
                continue
            try:
                moved = abs(at({**point, key: end}, dict(stands))[0] - here) > _NOISE * size
            except ImpossibleError:
                moved = True
            if moved:
                where = {leaf.low: " min", leaf.high: " max"}.get(value)
                found.append((leaf.symbol, where or f" = {show_value(value, leaf.dim)}", key))
                break
    symbols = [symbol for symbol, _, _ in found]
    return tuple(
        f"{s} ({key.partition(':')[2]}){where}" if symbols.count(s) > 1 else s + where
        for s, where, key in found
    )


def _same(one: float, two: float) -> bool:
    return abs(one - two) <= _NOISE * max(abs(one), abs(two))


def show_value(value: float, dim: str, digits: int = 4) -> str:
    """A float in base units as text with the unit of its dimension."""
    exponents, unit = DIMENSIONS[dim]
    if dim == "faults":
        return f"{value:g} {plural('fault', value)}"
    if dim == "temperature coefficient":
        unit = "%/K" if abs(value) >= 1e-3 else "ppm/K"
    elif dim == "voltage drift":
        unit = "mV/K" if abs(value) >= 1e-3 else "uV/K"
    fixed = (unit.endswith("/K") and unit != "K/W") or unit in ("%", "V/V", "Ah", "d", "FIT")
    return show(value, exponents, digits, unit if fixed else None)


def _inside(text: str) -> str:
    """A value within a formula: a negative one in parentheses."""
    return f"({text})" if text.startswith("-") else text


@contextmanager
def _told(variable: Variable) -> Iterator[None]:
    """Arithmetic that has no value, as an ImpossibleError that says where."""
    try:
        yield
    except ZeroDivisionError:
        zero = [a.symbol for a in variable.args.values() if _holds_zero(a)]
        what = ", ".join(zero) or "a denominator"
        raise ImpossibleError(f"{variable.symbol} has no value: {what} can be zero") from None
    except OverflowError:
        raise ImpossibleError(
            f"{variable.symbol} has no value: numbers beyond any hardware"
        ) from None


def _holds_zero(variable: Variable) -> bool:
    try:
        return bool(variable.low <= 0 <= variable.high)
    except ImpossibleError:
        return False


def derive(symbol: str, rule: Formula, args: dict[str, Variable]) -> Variable:
    """A formula over the box of the inputs that its arguments come from.

    Raises ImpossibleError when the formula has no value at the typical ones; where it has none at
    others, its bounds raise it.
    """
    made = Variable(symbol, None, None, None, rule.dim, formula=rule, args=args)
    with _told(made):
        made.typ = without_residue(rule, {name: arg.typ for name, arg in args.items()})
    return made


def without_residue(rule: Formula, args: dict[str, Any]) -> Any:
    """The formula's result, 0 where it is nothing but what rounding leaves of terms that cancel.

    Such a result moves by as much as itself when each argument moves by a few steps of a float; a
    small product does not.
    """
    value = rule.function(**args)
    if type(value) is not float or not value or not -_SMALL < value < _SMALL:
        return value
    moved = 0.0
    for name, arg in args.items():
        try:
            moved += abs(rule.function(**{**args, name: arg * (1 + _STEPS)}) - value)
        except (ArithmeticError, ValueError):
            return value
    return 0.0 if abs(value) <= moved else value


#: extremes that were found: what was asked, in figures alone, and what came out
_FOUND: dict[object, tuple[float, list[float]]] = {}
_MOST_FOUND = 1 << 12


def _extreme(root: Variable, *, highest: bool) -> tuple[float, Point]:
    """The highest or lowest value of a derived variable with the inputs' values that give it."""
    leaves = root.leaves
    if not leaves:
        return root.typ, {}
    blocks, program, signs, inside = root.reduced()
    way = 1 if highest else -1
    with _told(root):
        box = [  # where the sign is proven one end is enough
            (b.low, b.high) if not s else (b.high, b.high) if s == way else (b.low, b.low)
            for b, s in zip(blocks, signs, strict=True)
        ]
        # both sides of a bridge, and several checks, ask the same of the same figures
        asked = (program.ident, tuple(box), tuple(signs), tuple(inside), highest)
        known = _FOUND.get(asked)
        if known is None:
            if len(_FOUND) >= _MOST_FOUND:
                _FOUND.clear()
            known = _FOUND[asked] = extreme(program, box, signs, inside, highest=highest)
        value, at = known
    if value and -_SMALL < value < _SMALL:
        value = root.value_at(_of_blocks(blocks, signs, at, way))
    if root.typ > value if highest else root.typ < value:
        return root.typ, {key: leaf.typ for key, leaf in leaves.items()}
    return value, _of_blocks(blocks, signs, at, way)


def _of_blocks(
    blocks: Sequence[Variable], signs: Sequence[int], at: Sequence[float], way: int
) -> Point:
    """The inputs' values at which the blocks have theirs."""
    point: dict[str, float] = {}
    for block, sign, here in zip(blocks, signs, at, strict=True):
        point.update(_point(block, here) if not sign else _end(block, highest=sign == way))
    return point


def _end(block: Variable, *, highest: bool) -> Point:
    return block.high_at if highest else block.low_at


def _point(block: Variable, value: float) -> Point:
    """The inputs' values at which an independent variable has this value."""
    if value in (block.low, block.high):
        return _end(block, highest=value == block.high)
    return {block.key: value} if block.formula is None else _between(block, value)


def _between(block: Variable, value: float) -> Point:
    """A point on the line between both extremes at which a variable has a value between them."""
    low, high = block.low_at, block.high_at
    ends, here = (0.0, 1.0), low
    for _ in range(60):
        share = sum(ends) / 2
        here = {k: low[k] + share * (high[k] - low[k]) for k in low}
        ends = (share, ends[1]) if block.value_at(here) < value else (ends[0], share)
    return here
