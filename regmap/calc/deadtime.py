"""Dead time: needed against set, and what it costs in voltage, pulse width and diode loss."""

from __future__ import annotations

from typing import Any

from ..quantity import Band
from .channel import hot_limit
from .corner import Variable, formula, larger
from .currents import SINK_USES, gate_current, in_series
from .device import (
    MIDDLE_ERROR,
    OFF_TIME_ERROR,
    TIME_ERROR,
    less_sure_of_part,
    output_charge,
)
from .edges import (
    OFF_USES,
    ON_USES,
    edge_time,
    full_time,
    plateau_left,
    plateau_reached,
    then,
    turn_off_parts,
)
from .pwm import (
    DEADTIME_USES,
    earlier,
    handshakes,
    low_side_time,
    on_time,
    set_deadtime,
    watches_drain,
)
from .registry import Outcome, check, sided
from .verdict import Verdict
from .work import About, Work

CAUTION = "Shoot-through destroys a bridge at once: confirm the dead time by measurement."


@formula(
    "max(0, {toff} - {ton})",
    "time",
    up="toff",
    down="ton",
    source="Agilent HCPL-4504 data sheet: dead time from the difference of delays",
)
def delay_difference(toff: Any, ton: Any) -> Any:
    """How much later a turn-off starts than a turn-on commanded at the same moment."""
    return larger(0.0, toff - ton)


@formula(
    "({td} + {skew} + {ton} - {toff}) * {f}",
    "percent",
    up="td skew ton f",
    down="toff",
    source="dV = Vs t f for the time by which one edge is late; common practice, no source",
)
def voltage_error_share(td: Any, skew: Any, ton: Any, toff: Any, f: Any) -> Any:
    """Mean voltage lost in one half-bridge as a share of the supply, current out of the bridge."""
    return (td + skew + ton - toff) * f


@formula("{a} + {b} / 2", "time", up="a b", source="the middle of an edge")
def to_middle(a: Any, b: Any) -> Any:
    """Time to the middle of an edge that starts after `a` and lasts `b`."""
    return a + b / 2


@formula(
    "2 * {vf} * {i} * {td} * {f}",
    "power",
    up="vf i td f",
    source="two dead times a period through one diode; common practice, no source",
)
def diode_power(vf: Any, i: Any, td: Any, f: Any) -> Any:
    """Conduction loss of the body diodes of one half-bridge."""
    return 2 * vf * i * td * f


def delays_apart(work: Work) -> Variable | None:
    """How much later the driver may start a turn-off than a turn-on."""
    if work.stated("chip:propagation.mismatch"):
        return work.take("t_skew", "chip:propagation.mismatch")
    return work.derive(
        "t_skew",
        delay_difference,
        toff=work.take("t_pd,off", "chip:propagation.off"),
        ton=work.take("t_pd,on", "chip:propagation.on"),
    )


def deadtime_parts(work: Work, side: str) -> dict[str, Variable | None]:
    """What the dead time is spent on, in order, by name."""
    return {
        "difference of delays": delays_apart(work),
        **turn_off_parts(work, side),
        "margin asked": work.take("t_margin", "stage:pwm.deadtime_margin"),
    }


def needed_deadtime(work: Work, side: str) -> Variable | None:
    """Difference of delays, turn-off of the MOSFET, and the margin asked for."""
    skew, delay, edge, fall, margin = deadtime_parts(work, side).values()
    both = work.derive("t_vi", then, a=edge, b=fall)
    off = work.derive("t_off", then, a=delay, b=both)
    late = work.derive("t_late", then, a=skew, b=off)
    return work.derive("td,need", then, a=late, b=margin)


@sided(
    "deadtime.enough",
    "dead time covers the turn-off",
    "td >= t_skew + (Qg - Qgs - Qgd) / Isink + Qgd / Isink + Qgs2 / Isink,th + t_margin",
    DEADTIME_USES + OFF_USES + "stage:pwm.deadtime_margin chip:propagation.mismatch "
    "chip:propagation.off chip:propagation.on",
    CAUTION,
    model_error=OFF_TIME_ERROR,
)
def enough(work: Work, side: str) -> Outcome:
    """Dead time set against turn-off delay + fall + mismatch + margin."""
    return work.at_least(set_deadtime(work, side), needed_deadtime(work, side))


@formula(
    "{v} + {i} * {r}", "voltage", up="v i r", source="Ohm's law in the path of the gate current"
)
def gate_behind(v: Any, i: Any, r: Any) -> Any:
    """Voltage of the gate itself while the driver's pin stands at `v` and takes a current."""
    return v + i * r


@sided(
    "deadtime.handshake",
    "gate counted as off is below the threshold",
    "Voff + Isink (Rg + Rint) <= Vth(hot)",
    "role:deadtime.handshake role:deadtime.handshake_drain role:deadtime.handshake_level stage:mosfet.vth stage:mosfet.vth_tempco "
    "stage:mosfet.tj_max " + SINK_USES,
    CAUTION + " The chip measures at its pin, not at the gate itself.",
)
def handshake(work: Work, side: str) -> Outcome:
    """What the chip takes for off must be off, at a hot junction and behind the gate's resistance."""
    if not handshakes(work) or watches_drain(work):
        return None  # what a drain tells counts in deadtime.enough
    level = work.take("Voff", "role:deadtime.handshake_level")
    value = work.derive(
        "Vgate",
        gate_behind,
        v=level,
        i=gate_current(work, "sink", side),
        r=work.derive(
            "R",
            in_series,
            a=work.take("Rg,off", "stage:gate.resistor.off"),
            b=work.take("Rint", "stage:mosfet.internal_resistance"),
        ),
    )
    return work.at_most(value, hot_limit(work))


@check(
    "deadtime.voltage-error",
    "voltage error by dead time",
    "dV / Vs = (td + t_skew + t_on,mid - t_off,mid) f",
    DEADTIME_USES
    + (ON_USES + OFF_USES).replace("{side}", "high")
    + "chip:propagation.mismatch chip:propagation.off chip:propagation.on "
    "stage:pwm.frequency stage:limits.voltage_error",
)
def voltage_error(work: Work) -> Outcome:
    """Share of the supply that the late edge takes from the mean output voltage.

    With the current out of the bridge the node rises late by the dead time and the turn-on of the
    high side, and falls late by its turn-off; for the other sign the low side does the same.
    """
    value = work.derive("dV/Vs", voltage_error_share, **late_edge(work))
    limit = work.take("limit", "stage:limits.voltage_error")
    _less_sure_of_edges(work, limit)
    return work.within(value, work.derive("-limit", other_sign, x=limit), limit)


@formula(
    "({ton} + {toff}) * {f}",
    "percent",
    up="ton toff f",
    source="dV = Vs t f; both edges may err, each to its own side",
)
def edges_share(ton: Any, toff: Any, f: Any) -> Any:
    """What both edges take of the period."""
    return (ton + toff) * f


def _less_sure_of_edges(work: Work, limit: Variable | None) -> None:
    late = late_edge(work)
    edges = {name: late[name] for name in ("ton", "toff", "f")}
    less_sure_of_part(work, work.derive("t_edges f", edges_share, **edges), limit, MIDDLE_ERROR)


def late_edge(work: Work) -> dict[str, Variable | None]:
    """What makes the rising edge of the node later than its falling one, and the frequency."""
    on = work.derive(
        "t_on,mid",
        to_middle,
        a=plateau_reached(work, "high"),
        b=edge_time(work, "source", "high", "t_von"),
    )
    off = work.derive(
        "t_off,mid",
        to_middle,
        a=plateau_left(work, "high"),
        b=edge_time(work, "sink", "high", "t_voff"),
    )
    return {
        "td": set_deadtime(work),
        "skew": delays_apart(work),
        "ton": on,
        "toff": off,
        "f": work.take("f", "stage:pwm.frequency"),
    }


@formula(
    "({td} + {skew} + {ton} - {toff} - {tc}) * {f}",
    "percent",
    up="td skew ton",
    down="toff tc",
    either="f",
    source="dV = Vs t f, the controller's share taken off; common practice, no source",
)
def compensated_share(td: Any, skew: Any, ton: Any, toff: Any, tc: Any, f: Any) -> Any:
    """Voltage error that a compensation leaves, as a share of the supply."""
    return (td + skew + ton - toff - tc) * f


@check(
    "deadtime.compensated",
    "voltage error that the controller's compensation leaves",
    "dV / Vs = (td + t_skew + t_on,mid - t_off,mid - t_comp) f",
    DEADTIME_USES
    + (ON_USES + OFF_USES).replace("{side}", "high")
    + "chip:propagation.mismatch chip:propagation.off chip:propagation.on "
    "stage:pwm.frequency stage:pwm.compensation stage:limits.voltage_error",
)
def compensated(work: Work) -> Outcome:
    """The controller adds a fixed time by the current's sign: what tolerances leave of the error."""
    if not work.stated("stage:pwm.compensation"):
        return None
    value = work.derive(
        "dV/Vs",
        compensated_share,
        tc=work.take("t_comp", "stage:pwm.compensation"),
        **late_edge(work),
    )
    limit = work.take("limit", "stage:limits.voltage_error")
    _less_sure_of_edges(work, limit)
    return work.within(value, work.derive("-limit", other_sign, x=limit), limit)


@formula(
    "2 * {qoss} / {td}",
    "current",
    up="qoss",
    down="td",
    source="Q = I t: the load's current moves the output charges of both switches; circuit theory",
)
def knee_current(qoss: Any, td: Any) -> Any:
    """Current below which the node does not reach the other rail within the dead time by itself."""
    return 2 * qoss / td


@check(
    "deadtime.compensation-knee",
    "compensation is whole only where the load's current turns the node over",
    "Iknee = 2 Qoss / td <= I_comp",
    DEADTIME_USES + "stage:pwm.compensation_current stage:mosfet.qoss stage:mosfet.coss "
    "stage:mosfet.crss stage:mosfet.qgd stage:supply.voltage",
)
def compensation_knee(work: Work) -> Outcome:
    """Below this current the error fades, and a whole compensation would put it on with the other sign."""
    if not work.stated("stage:pwm.compensation_current"):
        return None
    charge = output_charge(work)
    if charge is None:
        work.take("Qoss", "stage:mosfet.qoss")
    value = work.derive("Iknee", knee_current, qoss=charge, td=set_deadtime(work))
    return work.at_most(value, work.take("I_comp", "stage:pwm.compensation_current"))


@formula("-{x}", "percent", down="x", source="sign")
def other_sign(x: Any) -> Any:
    """The same limit for errors of the other sign."""
    return -x


@formula("{t} * {f}", "percent", up="t f", source="share of a period: D = t f")
def share_of_period(t: Any, f: Any) -> Any:
    """The duty cycle at which a pulse lasts this long."""
    return t * f


@formula("1 - {d}", "percent", down="d", source="the low side has the rest of the period")
def rest_of_period(d: Any) -> Any:
    """Largest share of a period that is left to the low side."""
    return 1 - d


def _ends_at(work: Work, name: str, end: int) -> bool:
    """Whether the stated duty reaches 0 or 1: the switch is off then, and no pulse is the shortest."""
    item = work.inputs.find(name)
    value = item.value if item is not None else None
    return isinstance(value, Band) and end in (value.low, value.high)


def _any_pulse(work: Work, side: str) -> Verdict:
    """Where pulses of every width may come: from which duty on they turn the switch on fully.

    It must lie within the duty that is used; what becomes of shorter pulses is told.
    """
    name = work.about.name
    bench = work.branch(
        About(
            name,
            f"{side}-side pulses of any width: from a duty that is used on they turn the switch on fully, "
            "shorter ones in part or not",
            f"Dfull = (td + Qg / Isource) f <= {'Dmax' if side == 'high' else '1 - Dmin'}",
            work.about.caution,
            work.about.model_error,
        )
    )
    bench.stated(f"stage:pwm.duty.{'min' if side == 'high' else 'max'}")  # which led here
    td = set_deadtime(bench, "low" if side == "high" else "high")
    f = bench.take("f", "stage:pwm.frequency")
    whole = bench.derive("t_full", then, a=td, b=full_time(bench, "source", side))
    vanishing = bench.derive("Doff", share_of_period, t=td, f=f)
    if vanishing is not None:
        bench.extra.append(vanishing)
    bench.remark(
        f"no shortest {side}-side pulse is stated: those below a share of Doff vanish in the dead time, "
        "the switch stays off; from there to Dfull they turn it on in part"
    )
    value = bench.derive("Dfull", share_of_period, t=whole, f=f)
    other = "stage:pwm.duty.max" if side == "high" else "stage:pwm.duty.min"
    if not bench.stated(other):
        return bench.at_most(
            value, bench.constant("D", 1.0, "percent", f"{other[6:]} is not stated")
        )
    limit = bench.take("Dmax" if side == "high" else "Dmin", other)
    if side == "low":
        limit = bench.derive("1 - Dmin", rest_of_period, d=limit)
    return bench.at_most(value, limit)


@check(
    "deadtime.duty-min",
    "shortest high-side pulse turns the switch on fully",
    "Dmin / f - td >= Qg / Isource, longer where a resistance lets the current fade; at Dmin = 0 "
    "(td + Qg / Isource) f <= Dmax",
    DEADTIME_USES
    + ON_USES.replace("{side}", "high")
    + "stage:pwm.duty.min stage:pwm.duty.max stage:pwm.frequency stage:mosfet.qg",
    model_error=TIME_ERROR,
)
def duty_min(work: Work) -> Outcome:
    """What the dead time leaves of the shortest pulse against the time to charge the gate.

    At 0 % duty the switch is off, which is no pulse: a stage that goes down to it states no shortest one.
    """
    if _ends_at(work, "stage:pwm.duty.min", 0):
        return _any_pulse(work, "high")
    on = work.derive(
        "ton",
        on_time,
        d=work.take("Dmin", "stage:pwm.duty.min"),
        f=work.take("f", "stage:pwm.frequency"),
    )
    value = work.derive("t_pulse", earlier, a=on, b=set_deadtime(work, "low"))
    return work.at_least(value, full_time(work, "source", "high"))


@check(
    "deadtime.duty-max",
    "shortest low-side pulse turns the switch on fully",
    "(1 - Dmax) / f - td >= Qg / Isource, longer where a resistance lets the current fade; at Dmax = 1 "
    "(td + Qg / Isource) f <= 1 - Dmin",
    DEADTIME_USES
    + ON_USES.replace("{side}", "low")
    + "stage:pwm.duty.max stage:pwm.duty.min stage:pwm.frequency stage:mosfet.qg",
    model_error=TIME_ERROR,
)
def duty_max(work: Work) -> Outcome:
    """The same for the low side at the highest duty; at 100 % it is off, which is no pulse."""
    if _ends_at(work, "stage:pwm.duty.max", 1):
        return _any_pulse(work, "low")
    value = work.derive(
        "t_pulse",
        low_side_time,
        d=work.take("Dmax", "stage:pwm.duty.max"),
        f=work.take("f", "stage:pwm.frequency"),
        td=set_deadtime(work),
    )
    return work.at_least(value, full_time(work, "source", "low"))


@check(
    "deadtime.diode-loss",
    "body-diode loss in dead time",
    "P = 2 Vf Irms td f",
    DEADTIME_USES + "stage:diode.vf stage:motor.current.rms stage:pwm.frequency "
    "stage:limits.diode_loss",
)
def diode_loss(work: Work) -> Outcome:
    """Loss of one half-bridge; the rms current stands for the smaller mean current."""
    value = work.derive(
        "Pd",
        diode_power,
        vf=work.take("Vf", "stage:diode.vf"),
        i=work.take("Irms", "stage:motor.current.rms"),
        td=set_deadtime(work),
        f=work.take("f", "stage:pwm.frequency"),
    )
    return work.at_most(value, work.take("limit", "stage:limits.diode_loss"))
