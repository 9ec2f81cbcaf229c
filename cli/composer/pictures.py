"""Pictures in block characters beside the numbers that they repeat: who hears the screen misses nothing."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from regmap.calc.period import timeline
from regmap.errors import CallError

from ..context import columns
from .vocabulary import Row, Sheet

if TYPE_CHECKING:
    from regmap.calc import Inputs

_EIGHTHS = " ▏▎▍▌▋▊▉█"
#: a margin of this share fills its bar
_FULL = 1.0


def margin_bar(share: float, width: int) -> str:
    """`██▌` for a margin that holds, `!!` where it fails; empty where there is none."""
    if not math.isfinite(share):
        return ""
    if share < 0:
        return "!" * max(1, round(min(-share, _FULL) * width))
    eighths = round(min(share, _FULL) * width * 8)
    return "█" * (eighths // 8) + (_EIGHTHS[eighths % 8].strip())


def band_bar(low: float, typ: float, high: float, last: float, width: int) -> str:
    """From min to max in `░`, the typical value in `█`, on an axis from 0 to `last`."""
    if last <= 0 or width < 4:
        return ""
    cells = [" "] * width

    def cell(value: float) -> int:
        return max(0, min(width - 1, int(value / last * (width - 1))))

    for at in range(cell(low), cell(high) + 1):
        cells[at] = "░"
    cells[cell(typ)] = "█"
    return "".join(cells).rstrip()


def timeline_sheet(inputs: Inputs, side: str, width: int, *, drawn: bool) -> Sheet:
    """One PWM period: each instant with min / typ / max, and a band where it is `drawn`.

    Raises CallError for a side that is none, and without the inputs that an edge needs.
    """
    if side not in ("low", "high"):
        raise CallError(f"timeline {side[:20]}?", "`timeline low` or `timeline high`")
    found = timeline(inputs, "low" if side == "low" else "high")
    rows = [Row("from the input edge that turns the switch on: min / typ / max", mark="dim")]
    for phase, title in (("on", "turn-on"), ("sense", "current sense"), ("off", "turn-off")):
        here = [i for i in found if i.phase == phase]
        if not here:
            continue
        rows.append(Row(title, mark="head"))
        zero = next((float(i.time.typ) for i in here if i.name == "input edge off"), 0.0)
        last = max(float(i.time.high) - zero for i in here)
        names = columns([[i.name, i.time.text()] for i in here])
        room = width - max(map(len, names)) - 6
        for text, instant in zip(names, here, strict=True):
            low, typ, high = (
                float(v) - zero for v in (instant.time.low, instant.time.typ, instant.time.high)
            )
            bar = band_bar(low, typ, high, last, min(room, 48)) if drawn else ""
            wide = max(map(len, names))
            rows.append(Row(f"  {text.ljust(wide)}  {bar}".rstrip()))
    return Sheet(f"one PWM period, {side} side", tuple(rows))
