"""The timeline of one PWM period: every instant of a switch with its tolerance, and its picture.

Instants count from the edge at the driver's input that turns the switch on. Each is the very
variable that a check compares (see `pwm`, `vds`, `shunt`, `deadtime`); nothing is computed here
but their order. Two directions of the current: "hard", where this switch takes the current over and
swings the node; "soft", where its diode carries it already and the other side's turn-off has swung
the node before.
"""

from __future__ import annotations

from typing import Literal

from regmap.record import dataclass

from ..cautions import CAUTION
from ..errors import CallError
from .corner import Variable
from .edges import (
    current_edge_time,
    edge_time,
    plateau_left,
    plateau_reached,
    step_ends,
    then,
    turn_off_time,
    turn_on_time,
)
from .inputs import ImpossibleError, Inputs
from .pwm import earlier, gate_starts, low_side_time, on_time, own_deadtime, propagation
from .shunt import sample_window, settled
from .svg import HUES, INK, Panel, picture, scale_for
from .vds import below_threshold, deaf_time, may_look
from .verdict import Verdict
from .work import About, Work

Side = Literal["high", "low"]
Duty = Literal["lowest", "middle", "highest"]
Current = Literal["hard", "soft"]


@dataclass(frozen=True, slots=True)
class Instant:
    """One instant of the period: what happens, and when, from the input edge."""

    name: str
    time: Variable
    phase: Literal["on", "sense", "off"]


def _share(work: Work, duty: Duty) -> Variable | None:
    """The high side's duty cycle."""
    if duty == "middle":
        return work.constant("D", 0.5, "percent", "middle duty")
    name = "min" if duty == "lowest" else "max"
    return work.take(f"D{name}", f"stage:pwm.duty.{name}")


def shortest(inputs: Inputs, side: Side) -> Duty:
    """The duty at which this side's pulse is shortest and still there."""
    work = Work(About("period", "PWM period", ""), inputs)
    duty: Duty = "highest" if side == "low" else "lowest"
    share = _share(work, duty)
    pulse = _pulse(work, side, share)
    idle = pulse is not None and share is not None and _without_edges(side, share, pulse)
    return "middle" if idle else duty


def _without_edges(side: Side, share: Variable, pulse: Variable) -> str:
    """Why nothing switches at this duty; empty where there are edges."""
    if pulse.typ <= 0:
        return f"at a duty cycle of {share.text()} the {side} side is never on"
    if share.typ == (1.0 if side == "high" else 0.0):
        return f"at a duty cycle of {share.text()} the {side} side stays on"
    return ""


def _pulse(work: Work, side: Side, share: Variable | None) -> Variable | None:
    """How long this side's input is on."""
    f = work.take("f", "stage:pwm.frequency")
    own = own_deadtime(work)
    if side == "low":
        return work.derive("t_pulse", low_side_time, d=share, f=f, td=own)
    return work.derive("t_pulse", earlier, a=work.derive("ton", on_time, d=share, f=f), b=own)


def timeline(
    inputs: Inputs, side: Side = "low", *, duty: Duty | None = None, current: Current = "hard"
) -> list[Instant]:
    """The instants of one period in their typical order; what needs a missing input is left out.

    Without `duty` where this side's pulse is shortest, or in the middle where it has no edges there.

    Raises CallError that names the inputs without which there is no edge at all, and where this
    side does not switch at that duty: at 0 and 100 % one side stays on and the other one off.
    """
    work = Work(About("period", "PWM period", ""), inputs)
    try:
        return _instants(work, side, duty or shortest(inputs, side), current)
    except ImpossibleError as error:
        raise CallError(f"no timeline: {error}") from None


def _instants(work: Work, side: Side, duty: Duty, current: Current) -> list[Instant]:
    found: list[Instant] = []

    def add(name: str, time: Variable | None, phase: Literal["on", "sense", "off"] = "on") -> None:
        if time is not None:
            found.append(Instant(name, time, phase))

    def after(base: Variable | None, delay: Variable | None) -> Variable | None:
        return work.derive("t", then, a=base, b=delay)

    start, other = gate_starts(work, side), "low" if side == "high" else "high"
    share = _share(work, duty)
    off = _pulse(work, side, share)
    if off is not None and share is not None and (idle := _without_edges(side, share, off)):
        raise CallError(f"no timeline: {idle}")
    plateau, edge = plateau_reached(work, side), turn_on_time(work, side)
    if edge is None or start is None:
        raise CallError(f"no timeline without {', '.join(work.missing)}")
    add("gate charge starts", start)
    for words, end in step_ends(work, "source", side):
        add(words, after(start, end))
    reached = after(start, plateau)
    if current == "hard":
        rising = current_edge_time(work, "source", side, "t_id")
        add("current edge starts", work.derive("t", earlier, a=reached, b=rising))
        add("current edge over", reached)
        add("voltage edge over", after(start, edge))
        add("VDS below threshold", after(start, below_threshold(work, side)))
        add("VDS seen below threshold", _from_input(work, side, may_look(work, side)))
    else:
        fallen = after(plateau_left(work, other), edge_time(work, "sink", other, "t_vds"))
        swung = after(_turn_off_starts(work), fallen)
        add("voltage edge over", work.derive("t", earlier, a=swung, b=own_deadtime(work)))
        add("gate on the plateau", reached)
    blank = work.maybe("t_blank", "role:vds.blanking")
    add("blanking over", _from_input(work, side, blank))
    if blank is not None:
        add("filter over, may trip", _from_input(work, side, deaf_time(work)))
    if side == "low" and work.stated("chip:sense.settling"):
        add("amplifier settled", settled(work), "sense")
        if work.stated("stage:pwm.duty.max"):
            at_centre = work.choice("stage:adc.trigger") == "centre"
            name = "sampling starts" if at_centre else "sampling must be over"
            add(name, sample_window(work, None if duty == "highest" else share), "sense")
    add("input edge off", off, "off")
    leaving = after(off, _turn_off_starts(work))
    add("gate discharge starts", leaving, "off")
    for words, end in step_ends(work, "sink", side):
        add(words, after(leaving, end), "off")
    if current == "hard":
        left = after(leaving, plateau_left(work, side))
        add("voltage edge starts", left, "off")
        add("voltage edge over", after(left, edge_time(work, "sink", side, "t_vds")), "off")
    add("current off", after(leaving, turn_off_time(work, side)), "off")
    add("other gate charge starts", after(after(off, own_deadtime(work)), start), "off")
    return found


def _from_input(work: Work, side: Side, time: Variable | None) -> Variable | None:
    """A time that counts from where blanking starts, from the input edge."""
    if work.choice("chip:vds.blanking_from") == "input edge":
        return time
    return work.derive("t", then, a=gate_starts(work, side), b=time)


def _turn_off_starts(work: Work) -> Variable:
    """Input edge to the start of gate discharge; the delay of turn-on where it alone is stated."""
    return work.maybe("t_pd,off", "chip:propagation.off") or propagation(work)


_ROW, _LEFT, _WIDTH = 22.0, 190.0, 800.0


def period(
    inputs: Inputs,
    side: Side = "low",
    *,
    duty: Duty | None = None,
    current: Current = "hard",
    verdicts: list[Verdict] | None = None,
) -> str:
    """The timeline as a picture: a band of tolerance for each instant, one panel for each edge.

    `duty` is as in `timeline` unless it is named. `verdicts` are told below.
    Raises CallError as `timeline` does.
    """
    duty = duty or shortest(inputs, side)
    found = timeline(inputs, side, duty=duty, current=current)
    off = next((i.time for i in found if i.name == "input edge off"), None)
    base = 0.0 if off is None else float(off.typ)
    panels, top = [], 48.0
    groups = [("on", 0.0, "after the input edge on"), ("off", base, "after the input edge off")]
    try:
        for phase, zero, words in groups:
            rows = [i for i in found if (i.phase == "off") == (phase == "off")]
            rows = [i for i in rows if i.name != "input edge off"]
            if rows:
                panel = _panel(rows, zero, words, top)
                panels.append(panel)
                top += panel.box[3] + 54
    except ImpossibleError as error:
        raise CallError(f"no timeline: {error}") from None
    notes = [v.sentence() for v in verdicts or ()]
    kind = "switches the current" if current == "hard" else "its diode carries the current"
    title = f"One PWM period, {side} side, {duty} duty; {kind}"
    return picture(_WIDTH, top + 16 * len(notes) + 22, title, panels, [*notes, CAUTION])


def _panel(rows: list[Instant], zero: float, words: str, top: float) -> Panel:
    ends = [(float(i.time.low) - zero, float(i.time.high) - zero) for i in rows]
    first, last = min(0.0, *(low for low, _ in ends)), max(high for _, high in ends)
    factor, unit = scale_for(max(last, -first), "s")
    room = (last - first) or factor
    panel = Panel(
        (_LEFT, top, _WIDTH - _LEFT - 140, _ROW * len(rows)),
        (first / factor, (last + 0.02 * room) / factor),
        (0, len(rows)),
        f"time {words}, {unit}; band from min to max, line at typical",
    )
    for row, (instant, (low, high)) in enumerate(zip(rows, ends, strict=True)):
        y = len(rows) - row - 0.5
        hue = {"on": HUES[0], "sense": HUES[2], "off": HUES[1]}[instant.phase]
        typ = float(instant.time.typ) - zero
        label = f"{instant.name} {instant.time.text()}"
        panel.bar(low / factor, high / factor, y, 0.3, hue, label)
        panel.line([(typ / factor, y - 0.42), (typ / factor, y + 0.42)], INK)
        panel.text((first / factor, y), instant.name, "end")
        panel.text((high / factor, y), _short(low, typ, high, factor))
    return panel


def _short(low: float, typ: float, high: float, factor: float) -> str:
    """The band in the unit of the axis, without it."""
    return " / ".join(f"{v / factor:.3g}" for v in dict.fromkeys((low, typ, high)))
