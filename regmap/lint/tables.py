"""Arrays of what the codes of a field stand for."""

from __future__ import annotations

import re
from collections.abc import Iterator
from fractions import Fraction

from ..chip import values
from ..chip.model import Field
from ..errors import CallError
from ..quantity import NONE, Band, Quantity, parse, show

Told = tuple[str, str]
_UNITS = {
    "NS": "ns", "US": "us", "MS": "ms", "S": "s", "UA": "uA", "MA": "mA", "A": "A",
    "UV": "uV", "MV": "mV", "V": "V",
}  # fmt: skip


def unit_of_name(name: str) -> str:
    """The unit that a name is; "" for none, and for one letter alone."""
    return _UNITS.get(name.upper(), "") if len(name) > 1 else ""


def unitless(name: str) -> tuple[str, str]:
    """The name without the unit that it ends with, and that unit."""
    slew = re.search(r"_v(?:_per)?_us$", name, re.IGNORECASE)
    if slew is not None:
        return name[: slew.start()], "V/us"
    head, _, unit = name.rpartition("_")
    return (head, _UNITS[unit.upper()]) if unit.upper() in _UNITS and head else (name, "")


def judge_values(field: Field, unit: str, numbers: tuple[int, ...]) -> Iterator[Told | None]:
    """Values by code, with the map's; None where they were compared and agree. One finding for an array."""
    try:
        one = parse(f"1 {unit}") if unit else Quantity(Fraction(1), NONE)
    except CallError:
        return
    for meaning in field.meanings:
        bands: list[tuple[int, Band]] = []
        for code in range(min(len(numbers), 1 << field.width)):
            band = values.in_meaning(meaning, code, field.width).band
            if band is not None and band.dim == one.dim:
                bands.append((code, band))
        if len(numbers) < 2 or not bands:
            continue
        wrong: dict[str, list[tuple[int, Band]]] = {}
        for which in ("typ", "low", "high"):
            wrong[which] = [
                (code, band)
                for code, band in bands
                # whole numbers: rounded to the unit, either way
                if abs(getattr(band, which) - numbers[code] * one.value) >= one.value
                and abs(getattr(band, which) - numbers[code] * one.value) * 200 > abs(band.typ)
            ]
        if len(numbers) <= 1 << field.width and not min(wrong.values(), key=len):
            yield None
            return
        code, band = (wrong["typ"] or bands)[0]
        what = show(numbers[code] * one.value, one.dim) if unit else str(numbers[code])
        if len(numbers) > 1 << field.width:
            yield (
                f"{len(numbers)} values",
                f"one for each of the {1 << field.width} codes of {field.ref}",
            )
        else:
            yield f"{what} for code {code}", f"{show(band.typ, band.dim)}, what {field.ref} is then"
        return
