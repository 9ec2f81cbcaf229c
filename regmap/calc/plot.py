"""Plots as SVG text: a switching edge, the trip-current band, the dead-time budget,
the timeline of one PWM period, of a start and of the way to sleep.

Each function raises CallError that names the inputs that are missing.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial, wraps
from typing import Literal

from ..cautions import CAUTION
from ..errors import CallError
from .channel import junction_range, overdrive, threshold
from .corner import Variable, show_value
from .currents import gate_voltage
from .deadtime import knee_current, late_edge, needed_deadtime, voltage_error_share
from .device import beyond_charge, output_charge
from .duty import DIRECTIONS, DUTIES, SIDES, Direction, Side, share_of_period, shortest
from .edges import after_edge, current_edge_time, edge_time, plateau_left, plateau_reached, then
from .inputs import ImpossibleError, Inputs
from .period import timeline
from .periodplot import draw_period
from .pwm import set_deadtime
from .registry import run
from .shunt import sample_window, sampling_need
from .startplot import powering
from .startup import Way
from .svg import HUES, INK, Panel, picture, scale_for
from .vds import on_resistance, trip_current
from .work import About, Work

WIDTH = 680.0


def _bench(name: str, inputs: Inputs) -> Work:
    return Work(About(name, name, ""), inputs)


def _need(work: Work, *variables: Variable | None) -> list[Variable]:
    found = [v for v in variables if v is not None]
    if work.missing or len(found) < len(variables):
        raise CallError(f"no {work.about.name} without {', '.join(work.missing)}")
    return found


def plots(
    inputs: Inputs,
    left_out: list[str] | None = None,
    *,
    duty: str = "",
    current: Direction | None = None,
) -> dict[str, str]:
    """All plots that the inputs allow, name -> SVG text.

    The PWM period of each side at its lowest, middle and highest duty and for both directions of the
    current, or at the `duty` and for the `current` that is named (see `period.timeline`). A plot that
    cannot be drawn is left out, with the reason added to `left_out`. Raises CallError when none can be
    drawn, and for what is no duty.
    """
    makers: dict[str, Callable[[], str]] = {}
    if duty:
        share_of_period(_bench("PWM period", inputs), duty)
    for side in SIDES:
        makers[f"turn-on-{side}"] = partial(edge, inputs, side, "on")
        makers[f"turn-off-{side}"] = partial(edge, inputs, side, "off")
        makers[f"trip-current-{side}"] = partial(trip, inputs, side)
        makers[f"dead-time-{side}"] = partial(deadtime, inputs, side)
        for at in (duty,) if duty else DUTIES:
            for way in (current,) if current else DIRECTIONS:
                name = f"period-{side}-{'-'.join(at.replace('%', ' percent').split())}-{way}"
                makers[name] = partial(_whole_period, inputs, side, at, way)
    makers["start-up"] = partial(_powering, inputs, "startup")
    makers["sleep"] = partial(_powering, inputs, "sleep")
    makers["sampling"] = partial(sampling, inputs)
    makers["dead-time-error"] = partial(voltage_loss, inputs)
    drawn, reasons = {}, []
    for name, make in makers.items():
        try:
            drawn[name] = make()
        except CallError as error:
            reasons.append(f"{name}: {error}")
    if not drawn:
        raise CallError("; ".join(dict.fromkeys(reasons)))
    if left_out is not None:
        left_out.extend(reasons)
    return drawn


def _whole_period(inputs: Inputs, side: Side, duty: str, current: Direction) -> str:
    """The timeline with the verdicts that are read from it."""
    found = timeline(inputs, side, duty=duty, current=current)
    names = [] if found.idle else [f"deadtime.enough.{side}"]
    if names and found.hard:
        names.append(f"vds.blanking.{side}")
    if names and side == "low" and duty == shortest(side):
        names.append("sense.settling")
    told = [v for v in run(inputs, names) if v.value is not None and v.limit is not None]
    return draw_period(inputs, found, told if names else [])


def _powering(inputs: Inputs, way: Way) -> str:
    """A start or the way to sleep with the verdicts that are read from it."""
    told = [v for v in run(inputs, [way]) if v.value is not None and v.limit is not None]
    return powering(inputs, way, told)


def _guarded(function: Callable[..., str]) -> Callable[..., str]:
    @wraps(function)
    def call(*args: object, **options: object) -> str:
        try:
            return function(*args, **options)
        except ImpossibleError as error:
            raise CallError(f"no plot: {error}") from None

    return call


def _pick(variable: Variable, end: str) -> float:
    return float({"min": variable.low, "typ": variable.typ, "max": variable.high}[end])


@_guarded
def edge(inputs: Inputs, side: Side = "high", way: Literal["on", "off"] = "on") -> str:
    """Vgs, Vds and Id over time for one edge: typical, and the fastest and slowest corner.

    Time zero is the moment at which gate current starts to flow.
    """
    work = _bench("switching edge", inputs)
    drive = "source" if way == "on" else "sink"
    most = after_edge(work, side, "t_od", beyond_charge(work, side))
    times = {
        "gs": plateau_reached(work, side),
        "id": current_edge_time(work, drive, side, "t_id"),
        "ds": edge_time(work, drive, side, "t_vds"),
        "od": most if way == "on" else plateau_left(work, side),
    }
    vth, vov = threshold(work), overdrive(work)
    levels = _need(
        work,
        vth,
        vov,
        gate_voltage(work, side),
        work.take("Vs", "stage:supply.voltage"),
        work.take("Ipk", "stage:motor.current.peak"),
    )
    _need(work, *times.values())
    v_th, v_ov, v_gate, v_supply, i_load = (float(v.typ) for v in levels)
    v_plateau = v_th + v_ov

    def course(end: str) -> tuple[list[tuple[float, float]], ...]:
        t = {name: _pick(v, end) for name, v in times.items() if v is not None}
        parts = (max(t["gs"] - t["id"], 0.0), t["id"], t["ds"], t["od"])
        vgs, vds, current = (
            [0.0, v_th, v_plateau, v_plateau, v_gate],
            [1, 1, 1, 0, 0],
            [0, 0, 1, 1, 1],
        )
        if way == "off":
            parts = parts[::-1]
            vgs, vds, current = vgs[::-1], vds[::-1], current[::-1]
        at = [0.0]
        for part in parts:
            at.append(at[-1] + part)
        return (
            list(zip(at, vgs, strict=True)),
            [(x, y * v_supply) for x, y in zip(at, vds, strict=True)],
            [(x, y * i_load) for x, y in zip(at, current, strict=True)],
        )

    courses = {
        "typical": course("typ"),
        "fastest corner": course("min"),
        "slowest corner": course("max"),
    }
    end = max(c[0][-1][0] for c in courses.values()) * 1.05
    factor, unit = scale_for(end, "s")
    panels = []
    names = (("Vgs, V", v_gate), ("Vds, V", v_supply), ("Id, A", i_load))
    for row, (label, top) in enumerate(names):
        panel = Panel(
            (64, 64 + row * 128, WIDTH - 84, 112),
            (0, end / factor),
            (0, top * 1.12),
            f"time from the start of gate current, {unit}" if row == 2 else "",
            label,
        )
        for name, dash, width in (
            ("fastest corner", "2 3", 1.4),
            ("slowest corner", "7 4", 1.4),
            ("typical", "", 2.2),
        ):
            points = courses[name][row]
            path = [(x / factor, y) for x, y in points] + [(end / factor, points[-1][1])]
            panel.line(
                path,
                INK if name != "typical" else HUES[row],
                dash,
                width,
                "" if name == "typical" else name,
            )
        panels.append(panel)
    word = "Turn-on" if way == "on" else "Turn-off"
    title = f"{word} of the {side}-side MOSFET at {i_load:.3g} A and {v_supply:.3g} V"
    plateau = times["ds"]
    assert plateau is not None
    return picture(
        WIDTH, 524, title, panels, [f"plateau {plateau.text()}; thick line typical", CAUTION]
    )


@_guarded
def trip(inputs: Inputs, side: Side = "high", points: int = 41) -> str:
    """Band of the VDS monitor's trip current over the junction temperature, with its limits."""
    work = _bench("trip-current plot", inputs)
    span, r25, alpha, level = _need(
        work,
        junction_range(work),
        work.take("R25", "stage:mosfet.rdson"),
        work.take("alpha", "stage:mosfet.rdson_tempco"),
        work.take("Vds,th", f"role:vds.threshold.{side}"),
    )
    low, high = float(span.low), float(span.high)
    lower, middle, upper = [], [], []
    for index in range(points):
        celsius = low + (high - low) * index / (points - 1)
        at = work.constant("Tj", celsius, "temperature", "axis")
        hot = work.derive("Rds", on_resistance, r=r25, a=alpha, tj=at)
        (current,) = _need(work, work.derive("Itrip", trip_current, vds=level, r=hot))
        lower.append((celsius, float(current.low)))
        middle.append((celsius, float(current.typ)))
        upper.append((celsius, float(current.high)))
    peak = work.maybe("Ipk", "stage:motor.current.peak")
    most = work.maybe("Imax", "stage:mosfet.pulse_current")
    top = max([y for _, y in upper] + [float(v.high) for v in (peak, most) if v is not None])
    panel = Panel(
        (64, 64, WIDTH - 84, 300),
        (low, high),
        (0, top * 1.08),
        "junction temperature, degC",
        "trip current, A",
    )
    panel.area(upper + lower[::-1], HUES[0], "min to max")
    panel.line(middle, HUES[0], name="typical")
    if peak is not None:
        panel.line(
            [(low, float(peak.high)), (high, float(peak.high))],
            HUES[1],
            "7 4",
            name=f"peak current {peak.text('max')}",
        )
    if most is not None:
        panel.line(
            [(low, float(most.low)), (high, float(most.low))],
            HUES[3],
            "2 3",
            name=f"MOSFET survives {most.text('min')}",
        )
    return picture(
        WIDTH,
        450,
        f"Trip current of the VDS monitor, {side} side",
        [panel],
        [f"threshold {level.text()}, on-resistance at 25 degC {r25.text()}", CAUTION],
    )


@_guarded
def sampling(inputs: Inputs, points: int = 26) -> str:
    """Time that each duty of the high side leaves for a sample of the low-side shunt, and what it needs."""
    work = _bench("sampling over duty", inputs)
    most, need, window = _need(
        work, work.take("Dmax", "stage:pwm.duty.max"), sampling_need(work), sample_window(work)
    )
    factor, unit = scale_for(float(window.high) + float(need.high), "s")
    lower, middle, upper = [], [], []
    for index in range(points):
        share = index / (points - 1)
        duty = work.constant("D", share, "percent", "axis")
        (left,) = _need(work, sample_window(work, duty))
        middle.append((100 * share, float(left.typ) / factor))
        lower.append((100 * share, float(left.low) / factor))
        upper.append((100 * share, float(left.high) / factor))
    panel = Panel(
        (64, 64, WIDTH - 84, 300),
        (0, 100),
        (min(0.0, lower[-1][1]), upper[0][1] * 1.05),
        "duty of the high side, %",
        f"time, {unit}",
    )
    panel.area(upper + lower[::-1], HUES[0], "left for the sample, min to max")
    panel.line(middle, HUES[0], name="typical")
    for end, dash in ((need.low, "2 3"), (need.high, "7 4")):
        level = float(end) / factor
        panel.line(
            [(0, level), (100, level)], HUES[1], dash, name=f"needed {show_value(end, 'time')}"
        )
    at = 100 * float(most.high)
    panel.line(
        [(at, panel.y[0]), (at, panel.y[1])],
        HUES[3],
        "1 3",
        name=f"highest duty {most.text('max')}",
    )
    how = "phase with the highest duty from the others: " + str(
        work.choice("stage:adc.reconstruction")
    )
    return picture(WIDTH, 450, "Sampling window over the duty", [panel], [how, CAUTION])


@_guarded
def voltage_loss(inputs: Inputs, points: int = 41) -> str:
    """Voltage error by dead time over the phase current, as it is and as the compensation leaves it."""
    work = _bench("dead-time error over current", inputs)
    peak, error = _need(
        work,
        work.take("Ipk", "stage:motor.current.peak"),
        work.derive("dV/Vs", voltage_error_share, **late_edge(work)),
    )
    charge = output_charge(work)
    knee = work.derive("Iknee", knee_current, qoss=charge, td=set_deadtime(work))
    added = work.maybe("t_comp", "stage:pwm.compensation")
    f = float(_need(work, work.take("f", "stage:pwm.frequency"))[0].typ)
    end = float(peak.high)
    fade = float(knee.typ) if knee is not None else 0.0
    fades = work.maybe("I_comp", "stage:pwm.compensation_current")
    whole = float(fades.typ) if fades is not None else 0.0
    # an even walk, and where either line bends
    walk = {end * (2 * index / (points - 1) - 1) for index in range(points)}
    walk |= {sign * bend for bend in (fade, whole) if bend < end for sign in (-1.0, 1.0)}
    walk |= {-1e-6 * end, 1e-6 * end}
    raw, left = [], []
    for amps in sorted(walk):
        size, sign = abs(amps), (amps > 0) - (amps < 0)
        lost = 100 * sign * (min(1.0, size / fade) if fade else 1.0) * float(error.typ)
        raw.append((amps, lost))
        if added is not None:
            taken = min(1.0, size / whole) if whole else 1.0
            left.append((amps, lost - 100 * sign * taken * float(added.typ) * f))
    top = max(abs(y) for _, y in raw + left) * 1.15 or 1.0
    panel = Panel(
        (64, 64, WIDTH - 84, 300),
        (-end, end),
        (-top, top),
        "phase current, A",
        "share of the supply lost, %",
    )
    panel.line(raw, HUES[0], name="dead time and edges, typical")
    if left:
        panel.line(left, HUES[2], "7 4", name="with the compensation")
    told = (
        f"below {show_value(fade, 'current')} the node is not turned over within the dead time"
        if fade
        else "output charge not stated: the fading at small currents is left out"
    )
    return picture(WIDTH, 450, "Voltage error by dead time", [panel], [told, CAUTION])


@_guarded
def deadtime(inputs: Inputs, side: Side = "high") -> str:
    """What the dead time is spent on at the worst corner of the verdict, and what is set."""
    work = _bench("dead-time budget", inputs)
    chosen = set_deadtime(work, side)
    have, needed = _need(work, chosen, needed_deadtime(work, side))
    # what both hang on counts once: with a handshake the set time grows with the needed one
    return _budget(side, have, needed, work.at_least(have, needed).margin)


#: The parts of the dead time needed, by their symbols in the derivation.
_SPENT = {
    "t_skew": "difference of delays",
    "t_delay": "turn-off delay",
    "t_vds": "VDS edge",
    "t_id": "current fall",
    "t_margin": "margin asked",
}


def _spans(total: Variable) -> list[Variable]:
    """The times that follow one another in a sum of times."""
    if total.formula is not then:
        return [total]
    return [span for part in total.args.values() for span in _spans(part)]


def _budget(side: Side, have: Variable, total: Variable, margin: float | None) -> str:
    parts = [
        (_SPENT.get(v.symbol, v.symbol), float(v.value_at(total.high_at))) for v in _spans(total)
    ]
    needed = float(total.high)
    factor, unit = scale_for(max(needed, float(have.high)), "s")
    end = max(needed, float(have.high)) / factor * 1.04
    rows = len(parts) + 2
    panel = Panel(
        (170, 48, WIDTH - 190, 30.0 * rows),
        (0, end),
        (0, rows),
        f"time, {unit}; each part at the worst corner",
    )
    at = 0.0
    for row, (name, span) in enumerate(parts):
        longest, told = span / factor, show_value(span, "time")
        y = rows - row - 0.5
        panel.bar(at, at + longest, y, 0.32, HUES[row % 2 * 2], f"{name} {told}")
        panel.text((0, y), name, "end")
        # The figure stands beside its bar, on whichever side has room.
        if at + longest > 0.7 * end:
            panel.text((at, y), told, "end")
        else:
            panel.text((at + longest, y), told)
        at += longest
    for row, (name, value, hue) in enumerate(
        (
            ("needed at worst", needed, INK),
            ("set, shortest", float(have.low), HUES[1]),
        )
    ):
        y = 1.5 - row
        panel.bar(0, value / factor, y, 0.32, hue, f"{name} {show_value(value, 'time')}")
        panel.text((0, y), name, "end")
    spare = float(have.low) - needed if margin is None else float(margin)
    verdict = "spare" if spare >= 0 else "lacking"
    return picture(
        WIDTH,
        48 + 30.0 * rows + 84,
        f"Dead-time budget, turn-off of the {side} side",
        [panel],
        [
            f"needed {show_value(needed, 'time')}, set {have.text('min')} at least: "
            f"{show_value(abs(spare), 'time', 3)} {verdict}",
            CAUTION,
        ],
    )
