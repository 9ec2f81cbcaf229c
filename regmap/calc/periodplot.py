"""The picture of one PWM period: a band of tolerance for each instant, and the limits as dashed lines.

One panel for each edge. A limit stands as far beyond the band of its instant as the closest corner of
both leaves: where they hang on the same inputs, that is not where its own band begins. A period without
edges is drawn as the two switches over its length.
"""

from __future__ import annotations

from regmap.record import dataclass

from ..cautions import CAUTION
from .corner import Variable, show_value
from .duty import SIDES, Direction, Side, period_bench, pulse_of, share_of_period
from .inputs import Inputs
from .period import EDGE_OFF, Instant, Limit, Period, Phase, timeline
from .svg import HUES, INK, Panel, picture, scale_for
from .verdict import Verdict

_ROW, _LEFT, _WIDTH, _RIGHT = 22.0, 210.0, 960.0, 260.0
_BELOW = 54.0
_HUE: dict[Phase, str] = {"on": HUES[0], "sense": HUES[2], "off": HUES[1]}
#: stroke and dash of a limit by the instant that it holds: never told apart by colour alone
_LOOK = {
    "VDS seen below threshold": (HUES[3], "7 4"),
    "voltage edge over": (HUES[3], "7 4"),
    "gate full": (INK, "9 3 2 3"),
    "amplifier settled": (HUES[2], "2 3"),
    "sampling over": (HUES[2], "12 3"),
    "current off": (HUES[3], "4 2"),
}
#: how far beyond the bands a limit may stretch the axis, as a multiple of what they span
_STRETCH = 1.5


@dataclass(frozen=True, slots=True)
class _Rows:
    """The rows of one panel: instants, and how their times are read there."""

    instants: list[Instant]
    limits: list[Limit]
    words: str

    def band(self, instant: Instant) -> tuple[float, float, float]:
        time = instant.since_off or instant.time
        return float(time.low), float(time.typ), float(time.high)

    def stands(self, limit: Limit) -> float:
        """Where the line of a limit stands on this axis."""
        held = next(i for i in self.instants if (i.name, i.phase) == (limit.of, limit.phase))
        return self.band(held)[2] + limit.spare


def period(
    inputs: Inputs,
    side: Side = "low",
    *,
    duty: str = "",
    current: Direction | None = None,
    verdicts: list[Verdict] | None = None,
) -> str:
    """The timeline of these (see `timeline`) as SVG text; `verdicts` are told below. Raises CallError as it does."""
    found = timeline(inputs, side, duty=duty, current=current)
    return draw_period(inputs, found, verdicts or [])


def draw_period(inputs: Inputs, found: Period, verdicts: list[Verdict]) -> str:
    """The picture of a period that is known."""
    title = found.title[0].upper() + found.title[1:]
    if found.idle:
        panel = _idle(inputs, found)
        return picture(
            _WIDTH, 48 + panel.box[3] + _BELOW + 38, title, [panel], [found.idle, CAUTION]
        )
    notes = [found.role, *found.notes]
    panels: list[Panel] = []
    top = 82.0  # room for two lines of keys
    for phases, words in (
        (("on", "sense"), "after the input edge on"),
        (("off",), "after the input edge off"),
    ):
        rows = _Rows(
            [i for i in found.instants if i.phase in phases and i.name != EDGE_OFF],
            [limit for limit in found.limits if limit.phase in phases],
            words,
        )
        if rows.instants:
            panel = _panel(rows, top, notes)
            panels.append(panel)
            top += panel.box[3] + _BELOW
    notes += [v.sentence() for v in verdicts]
    return picture(_WIDTH, top + 16 * len(notes) + 22, title, panels, [*notes, CAUTION])


def _panel(rows: _Rows, top: float, notes: list[str]) -> Panel:
    bands = [rows.band(i) for i in rows.instants]
    first, last = min(0.0, *(low for low, _, _ in bands)), max(high for _, _, high in bands)
    room = last - first or 1e-9
    stands = {limit.name + limit.of: rows.stands(limit) for limit in rows.limits}
    near = [at for at in stands.values() if first - room < at < first + _STRETCH * room]
    first, last = min(first, *near, first), max(last, *near, last)
    factor, unit = scale_for(max(last, -first), "s")
    count = len(rows.instants)
    panel = Panel(
        (_LEFT, top, _WIDTH - _LEFT - _RIGHT, _ROW * count),
        (first / factor, (last + 0.02 * (last - first)) / factor),
        (0, count),
        f"time {rows.words}, {unit}; band from min to max, line at typical",
    )
    spare: dict[str, str] = {}
    for limit in rows.limits:
        at = stands[limit.name + limit.of]
        hue, dash = _LOOK[limit.of]
        spare[limit.of] = limit.spare_text
        if at in near:
            name = f"limit of {limit.of}: {limit.name}"
            panel.line([(at / factor, 0), (at / factor, count)], hue, dash, name=name)
        else:
            where = limit.time.text("min")
            notes.append(f"limit of {limit.of}: {limit.name}, {where}, lies beyond the axis")
    for row, (instant, (low, typ, high)) in enumerate(zip(rows.instants, bands, strict=True)):
        y = count - row - 0.5
        label = f"{instant.name} {instant.time.text()}"
        panel.bar(low / factor, high / factor, y, 0.3, _HUE[instant.phase], label)
        panel.line([(typ / factor, y - 0.42), (typ / factor, y + 0.42)], INK)
        panel.text((panel.x[0], y), instant.name, "end")
        ends = " / ".join(f"{v / factor:.3g}" for v in dict.fromkeys((low, typ, high)))
        room_left = f"; {spare[instant.name]}" if instant.name in spare else ""
        panel.text((panel.x[1], y), ends + room_left)  # beside the axes, where no line crosses it
    return panel


def _idle(inputs: Inputs, found: Period) -> Panel:
    """Both switches over one period, of which the one that was asked for has no edges."""
    work = period_bench(inputs)
    share, f = share_of_period(work, found.duty), work.take("f", "stage:pwm.frequency")
    whole = 1 / float(f.typ) if f is not None else 1.0
    factor, unit = scale_for(whole, "s")
    panel = Panel(
        (_LEFT, 48, _WIDTH - _LEFT - _RIGHT, 2 * _ROW),
        (0, whole / factor),
        (0, 2),
        f"one period, {unit}; band while the switch is on",
    )
    for row, side in enumerate(SIDES):
        y = 1.5 - row
        on = _on_in(whole, side, share, pulse_of(work, side, share))
        words = "on all the time" if on >= whole else "never on" if on <= 0 else "on"
        panel.text((0, y), f"{side} side", "end")
        panel.text((whole / factor, y), words)
        if on > 0:
            begin = 0.0 if side == "high" else whole - on
            told = f"{side} side {words}, {show_value(on, 'time', 3)}"
            panel.bar(begin / factor, (begin + on) / factor, y, 0.3, _HUE["on"], told)
        else:
            panel.line([(0, y), (whole / factor, y)], INK, "2 3")
    return panel


def _on_in(whole: float, side: Side, share: Variable | None, pulse: Variable | None) -> float:
    """How long a switch is on in a period of that length."""
    if share is None or pulse is None:
        return 0.0
    always = share.typ == (1.0 if side == "high" else 0.0)
    return whole if always else max(0.0, float(pulse.typ))
