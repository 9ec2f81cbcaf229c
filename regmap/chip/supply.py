"""Values that hang on the supply: what they are over all of a range of it."""

from __future__ import annotations

from fractions import Fraction

from ..expr import Literal, Node
from ..quantity import DIMENSIONS, Band, Quantity
from .bank import Bank
from .values import Reading, Valued

_VOLTAGE = DIMENSIONS["voltage"][0]


def over_supply(item: Valued, name: str, bank: Bank) -> list[Reading]:
    """What a value means at the other supplies of the stage, if its meaning asks for the supply."""
    asking = [m.when for m in item.meanings if m.when is not None and "supply" in m.when.names()]
    if not asking or bank.supply_range is None:
        return []
    low, high = bank.supply_range
    near = Fraction(1, 1000)
    steps = {
        v + d for when in asking for v in _volts(when.root) for d in (-near, Fraction(0), near)
    }
    found = []
    for supply in sorted({low, high} | {v for v in steps if low < v < high}):
        there = bank.copy()
        there.supply = supply
        reading = there.reading(name)
        if reading is not None:
            found.append(reading)
    return found


def _volts(node: Node) -> set[Fraction]:
    """The voltages that an expression compares with."""
    if isinstance(node, Literal):
        value = node.value
        return {value.value} if isinstance(value, Quantity) and value.dim == _VOLTAGE else set()
    return {v for arg in getattr(node, "args", ()) for v in _volts(arg)}


def hull(bands: list[Band]) -> Band:
    """The band that holds all of these: several switches with settings of their own are judged together.

    Both ends stand in some field, so that the worst corner of the verdict is that of the worst field;
    what no field can be is not told from what one is, which errs on the safe side.
    """
    if all(band == bands[0] for band in bands):
        return bands[0]
    typ = sum((b.typ for b in bands), start=bands[0].typ * 0) / len(bands)
    return Band(
        min(b.low for b in bands), typ, max(b.high for b in bands), bands[0].dim, "computed"
    )
