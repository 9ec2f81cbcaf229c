"""What the stage chose, as whole numbers for the firmware: `GD_TIMING_DEAD_TIME_NS_TYP 1000U`, with min and max.

The unit of a macro hangs on the map alone (what the value is, and how large it can get), never on the
option that was chosen: firmware that uses a macro compiles with any setting. min is rounded down and
max up, so that no value of the chip is outside.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from fractions import Fraction
from typing import TYPE_CHECKING

from regmap.record import dataclass, replace

from ..chip import values
from ..chip.bank import find
from ..chip.supply import hull, over_supply
from ..quantity import DIMENSIONS, Band, Dim
from .names import word
from .options import band_text
from .sheet import Sheet
from .text import count, defines

if TYPE_CHECKING:
    from ..stages.load import Stage

#: units of each dimension, the coarsest first
UNITS: dict[Dim, tuple[tuple[str, Fraction], ...]] = {
    DIMENSIONS[name][0]: tuple((unit, Fraction(1, 10**power)) for unit, power in units)
    for name, units in {
        "time": (("S", 0), ("MS", 3), ("US", 6), ("NS", 9), ("PS", 12)),
        "current": (("A", 0), ("MA", 3), ("UA", 6), ("NA", 9)),
        "voltage": (("V", 0), ("MV", 3), ("UV", 6), ("NV", 9)),
        "frequency": (("HZ", 0), ("MILLIHZ", 3)),
        "resistance": (("OHM", 0), ("MILLIOHM", 3), ("MICROOHM", 6)),
        "temperature": (("DEGC", 0), ("MILLIDEGC", 3), ("MICRODEGC", 6)),
        "ratio": (("RATIO", 0), ("PERMILLE", 3), ("PPM", 6)),
    }.items()
}
#: the unit in which a value is given, by dimension ...
_USUAL = {"time": "NS", "current": "MA", "voltage": "MV", "frequency": "HZ", "resistance": "MILLIOHM", "temperature": "DEGC", "ratio": "PERMILLE"}  # fmt: skip
#: ... and by role, where another one is usual: voltages across a shunt, windows of a watchdog
_BY_ROLE = {"overcurrent.threshold": "UV", "watchdog.window": "US"}
LARGEST = (1 << 32) - 1


@dataclass(frozen=True, slots=True)
class ChosenValue:
    """A value with its unit: (min, typ, max) in whole numbers, and the band that they stand for."""

    name: str
    unit: str
    numbers: tuple[int, int, int]
    band: Band
    title: str = ""


def whole(
    band: Band, unit: str = "", largest: Fraction | None = None
) -> tuple[str, tuple[int, int, int]] | None:
    """(unit, (min, typ, max)): in the unit that is usual for the dimension, or in `unit`; None where nothing is.

    Where `largest` (else the band's max) does not fit 32 bits, the next coarser unit is taken. min is
    rounded down, max up, typ to the nearest.
    """
    units = UNITS.get(band.dim, ())
    usual = next((u for n, u in _USUAL.items() if DIMENSIONS[n][0] == band.dim), "")
    if not units or band.low < 0:
        return None
    at = [u for u, _ in units].index(unit or usual)
    most = max(band.high, largest or 0)
    while at and most / units[at][1] > LARGEST:
        at -= 1
    name, size = units[at]
    if most / size > LARGEST:
        return None
    return name, (math.floor(band.low / size), round(band.typ / size), math.ceil(band.high / size))


def figures(stage: Stage, derived: tuple[tuple[str, str, Band], ...] = ()) -> Iterator[ChosenValue]:
    """Each setting with a physical value, then what follows from them (`assessment.figures`)."""
    for setting in stage.settings:
        band = setting.choice.reading.band
        item = find(stage.chip, setting.name)
        if band is None or item is None:
            continue
        # over all of the stage's supply, where the meaning hangs on it
        bands = [r.band for r in over_supply(item, setting.name, stage.bank) if r.band is not None]
        band = replace(hull([band, *bands]), typ=band.typ) if bands else band
        role = getattr(item, "role", "")
        others = [r.band.high for r in values.options(item, stage.bank) if r.band is not None]
        found = whole(band, _BY_ROLE.get(role, ""), max(others, default=Fraction(0)))
        if found is not None:
            yield ChosenValue(setting.name, *found, band)
    for name, title, band in derived:
        found = whole(band)
        if found is not None:
            yield ChosenValue(name, *found, band, title)


def write_chosen(
    sheet: Sheet,
    stage: Stage,
    place: str = "",
    derived: tuple[tuple[str, str, Band], ...] | None = None,
) -> None:
    """Three macros for each value; `place` stands ahead of the names of those at another position of a chain, or of
    another variant. `derived` is what follows from the settings there."""
    rows = []
    if derived is None:
        derived = () if place else sheet.options.figures
    for figure in figures(stage, derived):
        pieces = [place, *(word(p) for p in figure.name.split("."))]
        for end, value in zip(("MIN", "TYP", "MAX"), figure.numbers, strict=True):
            name = sheet.names.macro(
                *pieces, figure.unit, end, of=f"{figure.name} as chosen, {end}{place}"
            )
            note = ""
            if end == "MIN":
                note = ": ".join(filter(None, (figure.title, band_text(figure.band))))
            rows.append((name, count(value), note))
    if rows:
        sheet.section(
            f"what stage {stage.name} chose" if place else "what the stage chose",
            "Physical values of the settings by the tolerances of the map, and what follows from them with the "
            "stage's parts, as whole numbers: the unit is in the name (PERMILLE: thousandths), min is rounded down and max up.",
        )
        sheet.lines(*defines(rows))
