"""Gate drive: edges and slopes, overshoot, full-drive time, unwanted turn-on."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

from .corner import Variable, formula, larger, smaller
from .currents import SINK_USES, SOURCE_USES, gate_current, in_series
from .device import (
    KNEE,
    MILLER_ERROR,
    OVERSHOOT_ERROR,
    SLOPE_ERROR,
    TIME_ERROR,
    beyond_charge,
    end_capacitance,
    gate_source_capacitance,
    hot_limit,
    output_capacitance,
)
from .edges import OFF_USES, ON_USES, edge_time, full_time
from .registry import Outcome, sided
from .slopes import (
    SLOPE_USES,
    early_fall,
    edge_slope,
    faster,
    full_turn_off_slope,
    slope_by_load,
    steeper,
    steepest_current,
    turn_on_slope,
    with_overshoot,
)
from .steps import adjusts
from .verdict import Verdict
from .work import Work

EDGE_CAUTION = "Measure the edge at the phase node: layout and stray inductance shape it too."


@formula("max({a}, {b})", "time", up="a b", source="the slower of both directions")
def slower(a: Any, b: Any) -> Any:
    """The longer of two times."""
    return larger(a, b)


@formula("{q} / {t}", "current", up="q", down="t", source="charge balance: I = Q / t")
def mean_current(q: Any, t: Any) -> Any:
    """Mean current of a charge that is moved in a time."""
    return q / t


#: Steps of drain voltage in which the Miller current is followed, at their middles, with the share
#: of the voltage-dependent capacitance there.
STEPS = 32
_FALL = tuple(math.exp(-(k + 0.5) / STEPS / KNEE) for k in range(STEPS))
_SHARES = tuple(zip(_FALL, _FALL[::-1], strict=True))
_MILLER = (
    "peak of Vgs by (Cgs + Cgd) dVgs/dt = Cgd dV/dt - {drain}, dV/dt = {ion} / Cgd of the other "
    "switch, after {drop} at once; Cgd = {crss} + excess exp(-V / ({vs} / 8)), its charge {q} in "
    "both; Cgs = {c}"
)
_MILLER_SOURCE = (
    "charge balance of Cgd, integrated over the edge; for a slow edge Vgs = R Cgd dV/dt of "
    "Fairchild AN-6076, section 6.3 (from memory); held to ngspice by test"
)


def _bump(vs: Any, ion: Any, q: Any, crss: Any, c: Any, r: Any, drop: Any, hold: Any | None) -> Any:
    """Highest gate voltage while the other switch swings the phase node."""
    most, least = (max, min) if type(vs * q * drop * ion * r) is float else (larger, smaller)
    width = KNEE * vs * (1 - math.exp(-1 / KNEE))
    step = vs / STEPS
    floor = smaller(crss, q / vs) * step
    more = larger(0.0, q - crss * vs) / width * step
    whole_step, passed = c * step, drop / step
    gate = peak = 0.0
    for k, (share, mirrored) in enumerate(_SHARES):
        own = floor + more * share  # charge of this step
        # of its own edge the other switch has already passed what the inductance took
        left = most(0.0, least(1.0, k + 1 - passed))
        time = (floor + more * mirrored) / ion * left
        whole = whole_step + own
        # implicit, so that a short time constant cannot oscillate
        held = (gate * whole + own * step) / (whole + time * step / r)
        if hold is not None:
            held = most(held, gate + (own - hold * time) * step / whole)
        gate = held
        peak = most(peak, gate)
    return peak


_known = lru_cache(maxsize=1 << 14)(_bump)


def _bump_once(*at: Any) -> Any:
    """The same, worked once for each point: a search comes back to its corners again and again."""
    try:
        return _known(*at)
    except TypeError:  # arrays of draws are not kept
        return _bump(*at)


@formula(
    _MILLER.replace("{drain}", "Vgs / {r}"),
    "voltage",
    up="ion r drop",
    down="c",
    either="q",
    free="vs crss",
    source=_MILLER_SOURCE,
)
def miller_resistive(vs: Any, ion: Any, q: Any, crss: Any, c: Any, r: Any, drop: Any) -> Any:
    """Gate voltage that the Miller current raises against a resistance."""
    return _bump_once(vs, ion, q, crss, c, r, drop, None)


@formula(
    _MILLER.replace("{drain}", "min({hold}, Vgs / {r})"),
    "voltage",
    up="ion r drop",
    down="c hold",
    either="q",
    free="vs crss",
    source=_MILLER_SOURCE,
)
def miller_held(vs: Any, ion: Any, q: Any, crss: Any, c: Any, r: Any, drop: Any, hold: Any) -> Any:
    """The same against a hold-off current, with the resistance between it and the gate."""
    return _bump_once(vs, ion, q, crss, c, r, drop, hold)


def _edge(work: Work, way: str, side: str, symbol: str, limit: str) -> Verdict:
    value = edge_time(work, way, side, symbol)
    names = f"stage:limits.{limit}.min", f"stage:limits.{limit}.max"
    if not work.stated(*names):
        work.take("limit", names[1])
    lower, upper = work.maybe("t_min", names[0]), work.maybe("t_max", names[1])
    return work.within(value, lower, upper)


_EDGE = "stage:mosfet.qgd stage:limits.{0}.min stage:limits.{0}.max "


@sided(
    "gate.rise-time",
    "VDS edge (plateau) at turn-on",
    "t = Qgd / Isource",
    SOURCE_USES + _EDGE.format("rise_time"),
    EDGE_CAUTION,
    model_error=TIME_ERROR,
)
def rise_time(work: Work, side: str) -> Outcome:
    """Plateau time at turn-on (TI SLVSFV1B, eq. 7)."""
    return _edge(work, "source", side, "t_rise", "rise_time")


@sided(
    "gate.fall-time",
    "VDS edge (plateau) at turn-off",
    "t = Qgd / Isink",
    SINK_USES + _EDGE.format("fall_time"),
    EDGE_CAUTION,
    model_error=TIME_ERROR,
)
def fall_time(work: Work, side: str) -> Outcome:
    """Plateau time at turn-off (TI SLVSFV1B, eq. 8)."""
    return _edge(work, "sink", side, "t_fall", "fall_time")


@sided(
    "gate.dvdt",
    "steepest voltage slope at the phase node",
    "dV/dt = max(Isource, Isink) / Crss, at least the mean Vs max(Isource, Isink) / Qgd; at "
    "turn-off Ipk / (2 Coss) at most",
    SOURCE_USES + SINK_USES + "stage:supply.voltage stage:mosfet.qgd stage:mosfet.crss "
    "stage:mosfet.coss stage:motor.current.peak stage:limits.dvdt",
    EDGE_CAUTION,
    model_error=SLOPE_ERROR,
)
def dvdt(work: Work, side: str) -> Outcome:
    """Slope at the supply's end of the edge, where the gate-drain capacitance is smallest."""
    ion, ioff = gate_current(work, "source", side), gate_current(work, "sink", side)
    coss = output_capacitance(work)
    if coss is None:
        value = edge_slope(work, "dV/dt", ion, ioff)
    else:
        value = work.derive(
            "dV/dt",
            slope_by_load,
            on=edge_slope(work, "dV/dt,on", ion, ion),
            off=edge_slope(work, "dV/dt,off", ioff, ioff),
            ipk=work.take("Ipk", "stage:motor.current.peak"),
            coss=coss,
        )
    return work.at_most(value, work.take("limit", "stage:limits.dvdt"))


@sided(
    "gate.didt",
    "steepest current slope in the switch",
    "di/dt = 2 Ipk max(Isource, Isink) / (Vov Cgs), less what the loop's inductance feeds back",
    SOURCE_USES + SINK_USES + SLOPE_USES + "stage:limits.didt",
    EDGE_CAUTION,
    model_error=SLOPE_ERROR,
)
def didt(work: Work, side: str) -> Outcome:
    """Steepest slope at the peak current against the limit; it stands next to the plateau."""
    on, off = gate_current(work, "source", side), gate_current(work, "sink", side)
    if work.stated("stage:bridge.source_inductance"):
        value = work.derive(
            "di/dt", steeper, a=turn_on_slope(work, side), b=full_turn_off_slope(work, side)
        )
    else:
        value = steepest_current(work, work.derive("Ig", faster, ion=on, ioff=off))
    return work.at_most(value, work.take("limit", "stage:limits.didt"))


@sided(
    "gate.overshoot",
    "drain voltage with the overshoot of turn-off",
    "V = Vs + Vf + L di/dt",
    SINK_USES + SLOPE_USES + "stage:diode.vf stage:mosfet.vds_max",
    EDGE_CAUTION,
    model_error=OVERSHOOT_ERROR,
)
def drain_overshoot(work: Work, side: str) -> Outcome:
    """Supply plus L di/dt against the MOSFET's rating."""
    value = with_overshoot(work, side, work.take("Vs", "stage:supply.voltage"))
    return work.at_most(value, work.take("rating", "stage:mosfet.vds_max"))


@sided(
    "gate.drive-time",
    "whole gate charge within the driver's full-drive time",
    "t = Qg / min(Isource, Isink), longer where a resistance lets the current fade",
    ON_USES + OFF_USES + "role:gate.drive_time",
    model_error=TIME_ERROR,
)
def drive_time(work: Work, side: str) -> Outcome:
    """The gate must be charged before the driver falls back to its hold current."""
    value = work.derive(
        "t_drive",
        slower,
        a=full_time(work, "source", side),
        b=full_time(work, "sink", side),
    )
    return work.at_most(value, work.take("full-drive time", "role:gate.drive_time"))


_RANGE = "chip:gate.adjustment.min chip:gate.adjustment.max "
_LOOP = EDGE_CAUTION + " A loop that has run to its end no longer holds what was wanted."


def _adjusted(work: Work, needed: Variable | None) -> Verdict:
    low = work.take("Imin", "chip:gate.adjustment.min")
    return work.within(needed, low, work.take("Imax", "chip:gate.adjustment.max"))


@sided(
    "gate.adjusted-on",
    "adjusted gate current of turn-on within what the chip can set",
    "Imin <= Qgs / t_wanted <= Imax",
    ON_USES + _RANGE,
    _LOOP,
)
def adjusted_on(work: Work, side: str) -> Outcome:
    """The mean current that the wanted delay of turn-on needs."""
    wanted = adjusts(work, "gate.delay_on", side)
    if wanted is None:
        return None
    qgs = work.take("Qgs", "stage:mosfet.qgs")
    return _adjusted(work, work.derive("Ineed", mean_current, q=qgs, t=wanted))


@sided(
    "gate.adjusted-off",
    "adjusted gate current of turn-off within what the chip can set",
    "Imin <= (Qg - Qgs - Qgd) / t_wanted <= Imax",
    OFF_USES + _RANGE,
    _LOOP,
)
def adjusted_off(work: Work, side: str) -> Outcome:
    """The mean current that the wanted delay of turn-off needs."""
    wanted = adjusts(work, "gate.delay_off", side)
    if wanted is None:
        return None
    return _adjusted(work, work.derive("Ineed", mean_current, q=beyond_charge(work), t=wanted))


@sided(
    "gate.adjusted-slew",
    "adjusted gate current of the edge within what the chip can set",
    "Imin <= Qgd SR / Vs <= Imax",
    ON_USES + _RANGE,
    _LOOP,
)
def adjusted_slew(work: Work, side: str) -> Outcome:
    """The current that the wanted slope needs."""
    if adjusts(work, "gate.slew", side) is None:
        return None
    return _adjusted(work, gate_current(work, "source", side))


_OTHER = SOURCE_USES.replace("{side}", "{other}")


@sided(
    "gate.hold",
    "hold-off current against the Miller current",
    "Imiller = Qgd / t_vds, t_vds = Qgd / Isource({other} side)",
    _OTHER + "stage:mosfet.qgd role:gate.hold.{side} role:gate.sink.{side} chip:gate.pulldown "
    "chip:drive.resistance.sink",
    EDGE_CAUTION,
)
def hold(work: Work, side: str) -> Outcome:
    """The hold-off current must exceed the mean current through Cgd.

    Both MOSFETs swing the same voltage in the same time: what the opposite driver's current moves
    out of one Cgd flows into the other. Peaks above the mean are judged by gate.miller.
    """
    named = f"role:gate.hold.{side}", f"role:gate.sink.{side}"
    if not work.stated(*named) and work.stated("chip:gate.pulldown", "chip:drive.resistance.sink"):
        return None
    held = work.take("Ihold", named[0] if work.stated(named[0]) else named[1])
    value = work.derive(
        "Imiller",
        mean_current,
        q=work.take("Qgd", "stage:mosfet.qgd"),
        t=edge_time(work, "source", _other(side), "t_vds"),
    )
    return work.at_most(value, held)


def _other(side: str) -> str:
    return "low" if side == "high" else "high"


def _early_fall(work: Work, side: str) -> Variable | None:
    """What the loop's inductance takes at turn-on; nothing where it is not stated."""
    if not work.stated("stage:bridge.inductance"):
        return work.constant("Vearly", 0.0, "voltage", "no loop inductance stated")
    return work.derive(
        "Vearly",
        early_fall,
        ls=work.take("L", "stage:bridge.inductance"),
        didt=steepest_current(work, gate_current(work, "source", side)),
    )


@sided(
    "gate.miller",
    "gate voltage raised by the Miller current",
    "(Cgs + Cgd) dVgs/dt = Cgd dV/dt - min(Ihold, Vgs / (Rpd + Rg + Rint)) over the edge of the "
    "{other} side, against Vth(hot)",
    _OTHER + "stage:supply.voltage stage:mosfet.qgd stage:mosfet.qgs stage:mosfet.crss "
    "role:gate.hold.{side} role:gate.sink.{side} chip:gate.pulldown "
    "chip:drive.resistance.sink stage:gate.resistor.off "
    "stage:mosfet.vth stage:mosfet.vth_tempco stage:mosfet.tj_max stage:motor.current.peak "
    "stage:bridge.inductance",
    EDGE_CAUTION
    + " A body diode that recovers with a snap raises the gate further. Both MOSFETs are taken to be of one lot, with the same Qgd.",
    model_error=MILLER_ERROR,
)
def miller(work: Work, side: str) -> Outcome:
    """The gate must stay below the threshold of a hot MOSFET."""
    path = work.derive(
        "R",
        in_series,
        a=work.take("Rg,off", "stage:gate.resistor.off"),
        b=work.take("Rint", "stage:mosfet.internal_resistance"),
    )
    held = None
    if work.stated("chip:gate.pulldown"):
        pull = work.take("Rpd", "chip:gate.pulldown")
        path = work.derive("Rall", in_series, a=pull, b=path)
    elif work.stated(f"role:gate.hold.{side}", f"role:gate.sink.{side}"):
        named = f"role:gate.hold.{side}", f"role:gate.sink.{side}"
        held = work.take("Ihold", named[0] if work.stated(named[0]) else named[1])
    elif work.stated("chip:drive.resistance.sink"):
        pull = work.take("Rpd", "chip:drive.resistance.sink")
        path = work.derive("Rall", in_series, a=pull, b=path)
    else:
        return None
    held_part = "the held switch"
    parts: dict[str, Variable | None] = {
        "vs": work.take("Vs", "stage:supply.voltage"),
        "ion": gate_current(work, "source", _other(side)),
        "q": work.take("Qgd", "stage:mosfet.qgd"),
        "crss": end_capacitance(work, held_part),
        "c": work.derive(
            "Cgs,held",
            gate_source_capacitance,
            qgs=work.take("Qgs,held", "stage:mosfet.qgs", part=held_part),
            vpl=work.take("Vpl,held", "stage:mosfet.plateau", part=held_part),
        ),
        "r": path,
        "drop": _early_fall(work, _other(side)),
    }
    if held is not None:
        value = work.derive("Vgs", miller_held, **parts, hold=held)
    else:
        value = work.derive("Vgs", miller_resistive, **parts)
    return work.at_most(value, hot_limit(work))
