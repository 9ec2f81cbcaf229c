"""Figures that firmware is built with and that no setting holds alone: at which current a protection trips.

    trip_currents(stage)   ("trip.overcurrent", title, band), ("trip.vds.high", ...), ("trip.vds.low", ...)

They are worked by the formulas of the checks; what a check would still need leaves its figure out.
"""

from __future__ import annotations

from fractions import Fraction
from functools import partial
from typing import TYPE_CHECKING

from ..calc import shunt, vds
from ..calc.inputs import ImpossibleError
from ..calc.work import About, Work
from ..quantity import DIMENSIONS, Band
from ..stages.load import Stage
from .stage import inputs_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from ..calc.corner import Variable
#: Doubles carry about 16 digits; what is beyond 9 of them is rounding, no current.
_DIGITS = 9


def trip_currents(stage: Stage) -> tuple[tuple[str, str, Band], ...]:
    """(name, title, band in A) of each protection whose trip current follows from the stage."""
    inputs = inputs_of(stage)
    asked: list[tuple[str, str, Callable[[Work], Variable | None]]] = [
        ("trip.overcurrent", "overcurrent comparator", shunt.comparator_trip),
        ("trip.vds.high", "VDS monitor, high side", partial(vds.trip, side="high")),
        ("trip.vds.low", "VDS monitor, low side", partial(vds.trip, side="low")),
    ]
    found = []
    for name, title, work_out in asked:
        try:
            current = work_out(Work(About(name, title, ""), inputs))
            if current is None:
                continue
            low, typ, high = (_exact(x) for x in (current.low, current.typ, current.high))
        except ImpossibleError:
            continue
        if low >= 0:
            band = Band(low, typ, high, DIMENSIONS["current"][0], "min/typ/max")
            found.append((name, f"{title} trips at", band))
    return tuple(found)


def _exact(value: float) -> Fraction:
    return Fraction(f"{float(value):.{_DIGITS}g}")
