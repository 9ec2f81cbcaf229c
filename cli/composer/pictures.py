"""Pictures in block characters beside the numbers that they repeat: who hears the screen misses nothing."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from regmap.calc.timelines import WHICH, timeline_of
from regmap.errors import CallError, closest

from ..context import columns
from ..timelines import asked_of_period, cells, ending
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


def timeline_sheet(inputs: Inputs, which: str, width: int, *, drawn: bool) -> Sheet:
    """A PWM period, a start or the way to sleep: each instant with min / typ / max, and a band where it is `drawn`.

    After a side may follow a duty and the direction of the current: `low highest out`, `high 30 % in`.
    Raises CallError for a timeline that is none, and without the inputs that it needs.
    """
    name, *more = which.split()
    known = next((w for w in WHICH if w == name), None)
    if known is None:
        offered = ", ".join(f"`timeline {w}`" for w in WHICH)
        raise CallError(f"timeline {name[:20]}?", f"one of {offered}", closest(name, WHICH))
    duty, current = asked_of_period(more)
    found = timeline_of(inputs, known, duty=duty, current=current)
    rows = [Row(f"{found.counted}: min / typ / max", mark="dim")] if found.groups else []
    for group in found.groups:
        rows.append(Row(group.title, mark="head"))
        last = max(float(e.time.high) - group.zero for e in group.entries)
        names = columns(cells(group.entries, spans=not drawn))
        wide = max(map(len, names))
        for text, entry in zip(names, group.entries, strict=True):
            low, typ, high = (
                float(v) - group.zero for v in (entry.time.low, entry.time.typ, entry.time.high)
            )
            bar = band_bar(low, typ, high, last, min(width - wide - 6, 48)) if drawn else ""
            rows.append(Row(f"  {text.ljust(wide)}  {bar}".rstrip()))
    rows += [Row(text) for text in ending(found)]
    return Sheet(found.title, tuple(rows))
