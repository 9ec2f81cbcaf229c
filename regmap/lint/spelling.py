"""Options that a name tells by their value, in another spelling than the map's.

    by_value("1000NS", field)      (ValueCodes((2,), "1 us"))
    by_value("3P3US", field)       as 3US3 and 3.3US: 3.3 us

A value that is rounded counts for the one option that it is rounded from.
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import NamedTuple

from ..chip.model import Field
from ..chip.values import in_meaning
from ..quantity import NONE, Dim, parse, show

#: the widest field whose codes are gone through
MOST_BITS = 12
_UNITS = {
    "S": "s", "SEC": "s", "A": "A", "V": "V", "OHM": "ohm", "HZ": "Hz", "F": "F", "VUS": "V/us", "VPERUS": "V/us",
    "DEGC": "degC", "PCT": "%", "PERCENT": "%", "X": "", "VV": "", "VPERV": "",
}  # fmt: skip
_AMOUNT = re.compile(
    r"(?:[A-Z](?=\d))?(?P<whole>0|[1-9]\d{0,8})(?:P(?P<part>\d{1,6}))?"
    rf"(?:(?P<scale>[PNUMK]?)(?P<unit>{'|'.join(sorted(_UNITS, key=len, reverse=True))})(?P<behind>\d{{1,6}})?)?"
)
#: where no name may begin with a digit the unit stands first: V6P8
_UNIT_FIRST = re.compile(
    r"(?P<scale>[NUMK]?)(?P<unit>V|A|S|HZ)(?P<whole>0|[1-9]\d{0,8})(?:P(?P<part>\d{1,6}))?(?P<behind>)"
)


class ValueCodes(NamedTuple):
    """The codes that stand for a value, and that value for people."""

    codes: tuple[int, ...]
    label: str


def by_value(tail: str, field: Field) -> ValueCodes | None:
    """The codes of the value that the end of a name tells (capitals and digits alone); None where it tells none."""
    for shape in (_AMOUNT, _UNIT_FIRST):
        told = shape.fullmatch(tail)
        found = _codes(told, field) if told is not None else None
        if found is not None:
            return found
    return None


def with_points(name: str) -> str:
    """A name whose numbers have P for the point that it writes as an underscore: 0_6_US is 0P6_US."""
    return re.sub(
        r"(?<![A-Za-z0-9])(V?\d{1,4})_(\d{1,3})(?=_?(?:[munkMUNK]?(?:[sSvVaA]|[hH][zZ])(?![A-Za-z])|$))",
        r"\1P\2",
        name,
    )


def _codes(told: re.Match[str], field: Field) -> ValueCodes | None:
    if told["part"] and told["behind"]:
        return None
    decimals = told["part"] or told["behind"] or ""
    number = Fraction(f"{told['whole']}.{decimals or 0}")
    if told["unit"] is None:
        # a bare number may be a code, unless it is too large for one
        if number < 1 << field.width:
            return None
        value, place, dim = number, Fraction(1, 10 ** len(decimals)), NONE
    else:
        unit = _UNITS[told["unit"]]
        if told["scale"] and unit in ("", "%", "degC", "V/us"):
            return None
        scale = told["scale"] if unit == "Hz" and told["scale"] == "M" else told["scale"].lower()
        one, none = parse(f"1 {scale}{unit}"), parse(f"0 {scale}{unit}")
        factor, dim = one.value - none.value, one.dim
        value, place = none.value + number * factor, factor / 10 ** len(decimals)
    found: dict[int, Fraction] = {}
    for near in _near(field, value, place / 2, dim):
        if len(set(near.values())) > 1:
            return None
        found |= near
    if not found:
        return None
    return ValueCodes(tuple(sorted(found)), show(next(iter(found.values())), dim))


def _near(field: Field, value: Fraction, room: Fraction, dim: Dim) -> list[dict[int, Fraction]]:
    """Code to value for each meaning: those that are it exactly, or else those that are rounded to it."""
    rows = []
    for meaning in field.meanings if field.width <= MOST_BITS else ():
        codes = range(1 << field.width) if meaning.scale is not None else meaning.entries
        bands = {c: in_meaning(meaning, c, field.width).band for c in codes}
        typical = {c: Fraction(b.typ) for c, b in bands.items() if b is not None and b.dim == dim}
        exact = {c: v for c, v in typical.items() if abs(v - value) * 10**9 <= abs(value)}
        rows.append(exact or {c: v for c, v in typical.items() if abs(v - value) <= room})
    return rows
