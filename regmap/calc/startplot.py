"""The picture of a start and of the way to sleep: a bar for each phase, bands of tolerance, the limit as a line."""

from __future__ import annotations

from ..cautions import CAUTION
from ..errors import CallError
from .corner import show_value
from .inputs import ImpossibleError, Inputs
from .startup import Way
from .svg import HUES, INK, Panel, picture, scale_for
from .timelines import Moment, Timeline, timeline_of
from .verdict import Verdict

_ROW, _LEFT, _WIDTH, _RIGHT = 22.0, 250.0, 900.0, 190.0
_HUES = {"supply": HUES[3], "SPI": HUES[0], "gate supply": HUES[1], "sense": HUES[2], "PWM": INK}


def powering(inputs: Inputs, way: Way, verdicts: list[Verdict] | None = None) -> str:
    """The phases as a picture; `verdicts` are told below. Raises CallError as `startup.timeline` does."""
    try:
        found = timeline_of(inputs, way)
        return _picture(found, [v.sentence() for v in verdicts or ()])
    except ImpossibleError as error:
        raise CallError(f"no {way}: {error}") from None


def _picture(found: Timeline, told: list[str]) -> str:
    entries = [e for g in found.groups for e in g.entries]
    rows = [*entries, *([found.end] if found.end is not None else [])]
    last = max(float(e.time.high) for e in rows)
    end = last if found.limit is None else max(last, float(found.limit.high))
    factor, unit = scale_for(end, "s")
    top = 72.0
    panel = Panel(
        (_LEFT, top, _WIDTH - _LEFT - _RIGHT, _ROW * len(rows)),
        (0.0, 1.02 * end / factor),
        (0, len(rows)),
        f"time {found.counted}, {unit}; light: the phase, band: its end from min to max, line at typical",
    )
    for number, entry in enumerate(rows):
        _row(panel, entry, len(rows) - number - 0.5, factor)
    if found.limit is not None:
        at = float(found.limit.low) / factor
        panel.line([(at, 0), (at, len(rows))], HUES[1], "7 4", name=f"limit {found.limit.text()}")
    notes = [*told, *found.notes]
    if found.missing:
        notes.append(f"left out, as not stated: {', '.join(found.missing)}")
    height = top + panel.box[3] + 54 + 16 * len(notes) + 22
    title = found.title[0].upper() + found.title[1:] + f", {found.counted}"
    return picture(_WIDTH, height, title, [panel], [*notes, CAUTION])


def _row(panel: Panel, entry: Moment, y: float, factor: float) -> None:
    low, typ, high = (float(v) / factor for v in (entry.time.low, entry.time.typ, entry.time.high))
    hue = _HUES[entry.kind]
    if entry.span is not None:
        begin = 0.0 if entry.since is None else float(entry.since.typ) / factor
        panel.patch(
            (begin, typ), (y - 0.3, y + 0.3), hue, f"{entry.name} takes {entry.span.text()}"
        )
    panel.bar(low, high, y, 0.18, hue, f"{entry.name} until {entry.time.text()}")
    panel.line([(typ, y - 0.42), (typ, y + 0.42)], INK)
    panel.text((0.0, y), entry.name, "end")
    ends = " / ".join(f"{v:.4g}" for v in dict.fromkeys((low, typ, high)))
    takes = "" if entry.span is None else f" (+{show_value(entry.span.typ, 'time', 3)})"
    panel.text((high, y), ends + takes)
