"""What the stage chose, as whole numbers for the firmware: `GD_TIMING_DEAD_TIME_NS_TYP 1000U`, with min and max."""

from __future__ import annotations

import math
from fractions import Fraction

from ..quantity import DIMENSIONS, Band, Dim
from ..stages.load import Stage
from .names import word
from .sheet import Sheet
from .text import count, defines

#: units of each dimension, the coarsest first
_UNITS: dict[Dim, tuple[tuple[str, Fraction], ...]] = {
    DIMENSIONS[name][0]: tuple((unit, Fraction(1, 10**power)) for unit, power in units)
    for name, units in {
        "time": (("S", 0), ("MS", 3), ("US", 6), ("NS", 9), ("PS", 12)),
        "current": (("A", 0), ("MA", 3), ("UA", 6), ("NA", 9)),
        "voltage": (("V", 0), ("MV", 3), ("UV", 6)),
        "frequency": (("HZ", 0),),
        "resistance": (("OHM", 0), ("MILLIOHM", 3)),
        "ratio": (("RATIO", 0), ("PERMILLE", 3), ("PPM", 6)),
    }.items()
}
LARGEST = (1 << 32) - 1


def whole(band: Band) -> tuple[str, tuple[int, int, int]] | None:
    """(unit, (min, typ, max)) in the coarsest unit that holds all three; None where nothing does.

    What no unit holds exactly is rounded in the finest: min down, max up, typ to the nearest.
    """
    values = (band.low, band.typ, band.high)
    if min(values) < 0:
        return None
    fitting = [(u, s) for u, s in _UNITS.get(band.dim, ()) if max(values) / s <= LARGEST]
    for unit, size in fitting:
        if all((v / size).denominator == 1 for v in values):
            low, typ, high = (int(v / size) for v in values)
            return unit, (low, typ, high)
    if not fitting:
        return None
    unit, size = fitting[-1]
    return unit, (math.floor(band.low / size), round(band.typ / size), math.ceil(band.high / size))


def write_chosen(sheet: Sheet, stage: Stage) -> None:
    """Three macros for each setting with a physical value."""
    rows = []
    for setting in stage.settings:
        band = setting.choice.reading.band
        found = whole(band) if band is not None else None
        if found is None:
            continue
        unit, values = found
        pieces = [word(p) for p in setting.name.split(".")]
        for end, value in zip(("MIN", "TYP", "MAX"), values, strict=True):
            name = sheet.names.macro(*pieces, unit, end, of=f"{setting.name} as chosen, {end}")
            rows.append((name, count(value), ""))
    if rows:
        sheet.section(
            "what the stage chose",
            "Physical values of the settings by the tolerances of the map, as whole numbers: the unit is in the name.",
        )
        sheet.lines(*defines(rows))
