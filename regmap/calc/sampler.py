"""The bench with numbers instead of bands: a check at random draws, or at the values of a corner.

Tests prove with it that no draw leaves the bounds.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from ..quantity import Band
from .corner import Formula, Variable
from .inputs import ImpossibleError, Inputs
from .verdict import Verdict
from .work import About, Work

if TYPE_CHECKING:
    import numpy

#: Draws of an input: its key, lowest and highest value to a number or an array of them.
Draw = Callable[[str, float, float], Any]


class Sampler(Work):
    """The bench with numbers for every input instead of bands: `draw(key, low, high)` gives them.

    Every input has one draw, whichever variables use it. The verdict's `value`, `lower` and
    `upper` then hold what was drawn; its status means nothing.
    """

    def __init__(self, about: About, inputs: Inputs, draw: Draw) -> None:
        super().__init__(about, inputs)
        self._draw = draw

    def branch(self, about: About) -> Work:
        return Sampler(about, self.inputs, self._draw)

    def _shared(self) -> dict[tuple[object, ...], Variable]:
        return {}  # draws are this bench's own

    def _one(self, key: tuple[object, ...], make: Callable[[], Variable]) -> Variable:
        del key  # arrays are no keys
        return make()

    def _bounds(self, key: str, band: Band) -> tuple[Any, Any, Any]:
        low, _, high = band.floats()
        drawn = low if low == high else self._draw(key, low, high)
        return drawn, drawn, drawn

    def _typical(self, variable: Variable) -> Any:
        item = variable.origin
        assert item is not None
        assert isinstance(item.value, Band)
        return float(item.value.typ)

    def _highest(self, variable: Variable) -> Any:
        item = variable.origin
        assert item is not None
        assert isinstance(item.value, Band)
        return float(item.value.high)

    def spread(self, symbol: str, low: float, high: float, dim: str, note: str) -> Variable:
        drawn = self._draw(f"{symbol}:{note}", low, high)
        return Variable(symbol, drawn, drawn, drawn, dim, note=note)

    def derive(self, symbol: str, rule: Formula, /, **args: Variable | None) -> Variable | None:
        values = {name: arg.typ for name, arg in args.items() if arg is not None}
        if len(values) < len(args):
            return None
        try:
            drawn = rule.function(**values)
        except ZeroDivisionError:
            raise ImpossibleError(f"{symbol} has no value") from None
        return Variable(symbol, drawn, drawn, drawn, rule.dim, formula=rule)

    def _end(
        self,
        value: Variable | None,
        lower: Variable | None,
        upper: Variable | None,
        base: Variable | None = None,  # noqa: ARG002 (the bench over bands uses it)
    ) -> Verdict:
        return self._verdict("not_computed", value=value, lower=lower, upper=upper)


def random_draws(count: int, seed: int) -> Draw:
    """Arrays of `count` draws, uniform between an input's min and max; a quarter at the very ends."""
    import numpy

    random = numpy.random.default_rng(seed)
    known: dict[str, numpy.ndarray[Any, Any]] = {}

    def draw(key: str, low: float, high: float) -> Any:
        if key not in known:
            draws = random.uniform(low, high, count)
            edge = random.integers(0, 8, count)
            draws[edge == 0], draws[edge == 1] = low, high
            known[key] = draws
        return known[key]

    return draw
