"""Unwanted turn-on: what the other switch's edge, and the ringing after it, raise a held gate to."""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Any

from .channel import HELD, HELD_CHANNEL, hot_limit
from .corner import Variable, decay, formula, larger, rise, smaller
from .currents import SOURCE_USES, gate_current, in_series, mean_current, rise_current
from .device import (
    KNEE,
    MILLER_ERROR,
    RINGING_MILLER_ERROR,
    TIME_ERROR,
    drain_charge,
    end_capacitance,
    output_capacitance,
    source_capacitance,
)
from .edges import edge_time
from .gate import EDGE_CAUTION
from .registry import Outcome, sided
from .slopes import early_fall, steepest_current
from .work import Work

#: Steps of drain voltage in which the Miller current is followed: while the other switch's inductance takes its
#: share, in which nothing drains, and over the rest of the edge.
AT_ONCE, STEPS = 8, 32
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
    """Highest gate voltage while the other switch swings the phase node.

    The steps end where the drop does, and the charge of each is exact: so the result runs smoothly with all inputs,
    and a search for its extremes meets no steps of ours.
    """
    plain = type(vs * q * drop * ion * r) is float
    most, least = (max, min) if plain else (larger, smaller)
    knee = KNEE * vs
    floor = least(crss, q / vs)
    more = most(0.0, q - crss * vs) / (1 - math.exp(-1 / KNEE))
    # of its own edge the other switch has already passed what the inductance took; neither part is ever quite empty
    begin = most(least(drop, vs * (1 - 1e-9)), vs * 1e-9)
    gate = 0.0
    step = begin / AT_ONCE
    shrink = decay(step / knee)
    share, linear, curved = 1.0, floor * step, more * (1 - shrink)
    for _ in range(AT_ONCE):
        own = linear + curved * share  # charge of this step
        share = share * shrink
        gate = gate + own * step / (c * step + own)
    peak = gate
    step = (vs - begin) / STEPS
    shrink = decay(step / knee)
    mirrored = decay((vs - begin) / knee)
    linear, curved = floor * step, more * (1 - shrink)
    grown = math.expm1 if plain else lambda x: -rise(-x)
    for _ in range(STEPS):
        own = linear + curved * share
        share = share * shrink
        before, mirrored = mirrored, mirrored / shrink
        time = (linear + more * (mirrored - before)) / ion
        # the exact answer of a capacitance to a current that stays the same meanwhile
        whole = c + own / step
        turned = most(time / (r * whole), 1e-12)
        risen = -grown(-turned)
        held = gate * (1 - risen) + own / whole * risen / turned
        if hold is not None:
            held = most(held, gate + (own - hold * time) / whole)
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


RING_SOURCE = (
    "overshoot of a second-order circuit to a step and a ramp, exp(-pi z / sqrt(1 - z^2)): K. Ogata, "
    "Modern Control Engineering (from memory); held to ngspice by test"
)
NOT_COUNTED = (
    "no loop inductance with its damping stated: the ringing is left out, which raises a held gate; "
    f"a margin below {100 * RINGING_MILLER_ERROR:.0f} % of the limit proves nothing"
)
NO_RING = "no Coss stated: the loop rings with the step of its inductance alone"


@formula(
    "sqrt({l} * {coss})",
    "time",
    up="l coss",
    source="resonance of an LC circuit, 1 / w",
)
def ring_time(l: Any, coss: Any) -> Any:  # noqa: E741 (an inductance is l)
    """Time in which the loop's ringing turns by one radian."""
    return (l * coss) ** 0.5


@formula(
    "min({vs}, sqrt({drop}^2 + ({ion} / {crss} * {t})^2)) * exp(-pi * min({z}, 0.9999) / sqrt(1 - min({z}, 0.9999)^2))",
    "voltage",
    up="vs drop ion t",
    down="crss z",
    source=RING_SOURCE,
)
def ring_peak(vs: Any, drop: Any, ion: Any, crss: Any, t: Any, z: Any) -> Any:
    """How far the held switch's drain rings beyond the edge: a step of `drop`, then the edge's slope."""
    ramp = ion / crss * t
    least = smaller(z, 0.9999)  # a loop damped beyond that does not ring
    return smaller(vs, (drop * drop + ramp * ramp) ** 0.5) * decay(
        math.pi * least / (1 - least * least) ** 0.5
    )


@formula(
    # a capacitive divider: what the swing of the drain moves through Cgd(V), whose charge is `q`
    "{a} / (1 + {c} * {a} / (min({crss}, {q} / {vs}) * {a} + max(0, {q} - {crss} * {vs}) / (1 - exp(-8)) "
    "* exp(-8 * {drop} / {vs}) * (1 - exp(-8 * {a} / {vs}))))",
    "voltage",
    up="a",
    down="drop c",
    either="q",
    free="vs crss",
    source="charge balance of Cgd; " + RING_SOURCE,
)
def ring_lift(a: Any, drop: Any, vs: Any, q: Any, crss: Any, c: Any) -> Any:
    """Gate voltage that a swing of the drain raises at once, before any of it can drain."""
    width = KNEE * vs
    excess = larger(0.0, q - crss * vs) / (1 - math.exp(-1 / KNEE))
    swing = smaller(crss, q / vs) * a + excess * decay(drop / width) * (1 - decay(a / width))
    return swing * a / (c * a + swing)


@formula("{a} + {b}", "voltage", up="a b", source="sum: the ring's crest on the edge's")
def crests(a: Any, b: Any) -> Any:
    """Two peaks that may coincide."""
    return a + b


_OTHER = SOURCE_USES.replace("{side}", "{other}")


@sided(
    "gate.hold",
    "hold-off current against the Miller current",
    "Imiller = Qgd / t_vds, t_vds = Qgd / Isource({other} side)",
    _OTHER + "stage:mosfet.qgd role:gate.hold.{side} role:gate.sink.{side} chip:gate.pulldown "
    "chip:drive.resistance.sink",
    EDGE_CAUTION,
    model_error=TIME_ERROR,  # the mean current is Qgd over the time of the edge, and errs as that does
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
        q=drain_charge(work),
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
        didt=steepest_current(work, rise_current(work, side)),
    )


def held_by(work: Work, side: str) -> tuple[Variable | None, Variable | None]:
    """(resistance from the gate to its source, the hold-off current that flows in it at most).

    The current is None where a pull-down or a resistive driver holds, both are where nobody says what holds.
    """
    path = work.derive(
        "R",
        in_series,
        a=work.take("Rg,off", "stage:gate.resistor.off"),
        b=work.take("Rint", "stage:mosfet.internal_resistance"),
    )
    named = f"role:gate.hold.{side}", f"role:gate.sink.{side}"
    if work.stated("chip:gate.pulldown"):
        pull = work.take("Rpd", "chip:gate.pulldown")
    elif work.stated(*named):
        return path, work.take("Ihold", named[0] if work.stated(named[0]) else named[1])
    elif work.stated("chip:drive.resistance.sink"):
        pull = work.take("Rpd", "chip:drive.resistance.sink")
    else:
        return None, None
    return work.derive("Rall", in_series, a=pull, b=path), None


@sided(
    "gate.miller",
    "gate voltage raised by the Miller current",
    "(Cgs + Cgd) dVgs/dt = Cgd dV/dt - min(Ihold, Vgs / (Rpd + Rg + Rint)) over the edge of the "
    "{other} side, and the ringing of the loop on top, against Vth(hot)",
    _OTHER + "stage:supply.voltage stage:mosfet.qgd stage:mosfet.qgs stage:mosfet.crss "
    "role:gate.hold.{side} role:gate.sink.{side} chip:gate.pulldown "
    "chip:drive.resistance.sink stage:gate.resistor.off "
    "stage:mosfet.vth stage:mosfet.vth_tempco stage:mosfet.tj_max stage:motor.current.peak "
    "stage:bridge.inductance stage:bridge.damping stage:mosfet.coss",
    EDGE_CAUTION
    + " A body diode that recovers with a snap raises the gate further. Both MOSFETs are taken to be of one lot, with the same Qgd.",
    model_error=MILLER_ERROR,
)
def miller(work: Work, side: str) -> Outcome:
    """The gate must stay below the threshold of a hot MOSFET."""
    path, held = held_by(work, side)
    if path is None and not work.missing:
        return None
    # its capacitance is one of the die and spreads on its own, not with its threshold
    parts: dict[str, Variable | None] = {
        "vs": work.take("Vs", "stage:supply.voltage"),
        "ion": gate_current(work, "source", _other(side)),
        "q": drain_charge(work),
        "crss": end_capacitance(work, HELD),
        "c": source_capacitance(work, HELD),
        "r": path,
        "drop": _early_fall(work, _other(side)),
    }
    if held is not None:
        value = work.derive("Vmiller", miller_held, **parts, hold=held)
    else:
        value = work.derive("Vmiller", miller_resistive, **parts)
    return work.at_most(_with_ring(work, value, parts), hot_limit(work, HELD_CHANNEL))


def _with_ring(
    work: Work, value: Variable | None, parts: dict[str, Variable | None]
) -> Variable | None:
    """The ringing of the loop on top of a peak, where inductance and damping are stated."""
    inductance = work.maybe("L", "stage:bridge.inductance")
    damping = work.maybe("z", "stage:bridge.damping")
    if inductance is None or damping is None:
        work.less_sure(RINGING_MILLER_ERROR, NOT_COUNTED)
        return value
    coss = output_capacitance(work)
    turn = work.constant("tring", 0.0, "time", NO_RING)
    if coss is not None:
        turn = work.derive("tring", ring_time, l=inductance, coss=coss) or turn
    else:
        work.remark(NO_RING)
    shared = {name: parts[name] for name in ("vs", "drop", "crss")}
    peak = work.derive(
        "Vring",
        ring_peak,
        **shared,
        ion=parts["ion"],
        t=turn,
        z=damping,
    )
    lift = work.derive("Vlift", ring_lift, **shared, a=peak, q=parts["q"], c=parts["c"])
    return work.derive("Vgs", crests, a=value, b=lift)
