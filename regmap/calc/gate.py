"""Gate drive: edges and slopes, overshoot, full-drive time, unwanted turn-on."""

from __future__ import annotations

from typing import Any

from .corner import Variable, formula, larger
from .currents import SINK_USES, SOURCE_USES, gate_current, mean_current, rise_current
from .device import (
    DRAIN_ERROR,
    DVDT_ERROR,
    LONGER_EDGE_ERROR,
    RINGING_DVDT_ERROR,
    SHORTER_EDGE_ERROR,
    SLOPE_ERROR,
    TIME_ERROR,
    beyond_charge,
    less_sure_of_ringing,
    output_capacitance,
    source_charge,
)
from .edges import OFF_USES, ON_USES, edge_time, full_time
from .registry import Outcome, sided
from .slopes import (
    OVERSHOOT_USES,
    SLOPE_USES,
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

EDGE_CAUTION = (
    "Measure the edge at the phase node: layout and stray inductance shape it too. The plateau is taken to follow the "
    "threshold from part to part."
)


@formula("max({a}, {b})", "time", up="a b", source="the slower of both directions")
def slower(a: Any, b: Any) -> Any:
    """The longer of two times."""
    return larger(a, b)


EDGE_ERRS = (
    "of a drain that falls while the current still rises, or that a small current has to charge, the edge is {} in "
    "ngspice than the time that moves Qgd"
)


def _edge(work: Work, way: str, side: str, symbol: str, limit: str) -> Verdict:
    value = edge_time(work, way, side, symbol)
    names = f"stage:limits.{limit}.min", f"stage:limits.{limit}.max"
    if not work.stated(*names):
        work.take("limit", names[1])
    lower, upper = work.maybe("t_min", names[0]), work.maybe("t_max", names[1])
    _less_sure_of_edge(work, way, value, lower, upper)
    return work.within(value, lower, upper)


def _less_sure_of_edge(
    work: Work, way: str, value: Variable | None, lower: Variable | None, upper: Variable | None
) -> None:
    """The error toward the limit that is nearer by what the circuit may differ that way."""
    rooms = []
    for limit, error, other in (
        (lower, SHORTER_EDGE_ERROR[way], "shorter"),
        (upper, LONGER_EDGE_ERROR[way], "longer"),
    ):
        if limit is not None:
            told = work.within(value, limit, None) if limit is lower else work.at_most(value, limit)
            if isinstance(told.relative, float):
                rooms.append((told.relative - error, error, other))
    if rooms:
        _, error, other = min(rooms)
        work.less_sure(error, EDGE_ERRS.format(other))


_EDGE = "stage:mosfet.qgd stage:limits.{0}.min stage:limits.{0}.max "


@sided(
    "gate.rise-time",
    "VDS edge (plateau) at turn-on",
    "t = Qgd / Isource",
    SOURCE_USES + _EDGE.format("rise_time"),
    EDGE_CAUTION,
    model_error=SHORTER_EDGE_ERROR["source"],
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
    model_error=SHORTER_EDGE_ERROR["sink"],
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
    "stage:mosfet.coss stage:motor.current.peak stage:bridge.damping stage:limits.dvdt",
    EDGE_CAUTION,
    model_error=DVDT_ERROR,
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
    less_sure_of_ringing(work, RINGING_DVDT_ERROR, RINGS)
    return work.at_most(value, work.take("limit", "stage:limits.dvdt"))


RINGS = (
    "the loop's damping is not stated, or below a quarter: its ringing makes the slope steeper; "
    f"a margin below {100 * RINGING_DVDT_ERROR:.0f} % of the limit proves nothing"
)


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
    on, off = rise_current(work, side), gate_current(work, "sink", side)
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
    OVERSHOOT_USES + "stage:mosfet.vds_max",
    EDGE_CAUTION,
    model_error=DRAIN_ERROR,
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
    qgs = source_charge(work)
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
    return _adjusted(
        work, work.derive("Ineed", mean_current, q=beyond_charge(work, side), t=wanted)
    )


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
