"""Slopes of a switching edge: voltage and current at their steepest, and the overshoot they make."""

from __future__ import annotations

from typing import Any

from .channel import MODEL, overdrive, overdrive_at, plateau
from .corner import Variable, formula, larger, smaller
from .currents import SINK_USES, gate_current, gate_voltage, is_resistive, less, rise_current
from .device import (
    CHARGE_USES,
    RINGING_DRAIN_ERROR,
    channel_current,
    drain_charge,
    end_capacitance,
    less_sure_of_ringing,
    output_capacitance,
    output_charge,
    source_capacitance,
)
from .work import Work


@formula(
    "{vs} * max({ion}, {ioff}) / {qgd}",
    "voltage slew",
    up="vs ion ioff",
    down="qgd",
    source="TI SLLSFQ7, design table: t = V/SR, Ig = Qgd/t",
)
def voltage_slope(vs: Any, ion: Any, ioff: Any, qgd: Any) -> Any:
    """Mean slope of the phase node while Qgd is moved, the faster of both edges."""
    return vs * larger(ion, ioff) / qgd


@formula(
    "max({mean}, {ion} / {crss}, {ioff} / {crss})",
    "voltage slew",
    up="mean ion ioff",
    down="crss",
    source="i = C dV/dt: the gate current holds Crss dV/dt on the plateau",
)
def steepest_slope(mean: Any, ion: Any, ioff: Any, crss: Any) -> Any:
    """Slope where the gate-drain capacitance is smallest, that is at high drain voltage."""
    return larger(mean, larger(ion, ioff) / crss)


@formula(
    "max({on}, min({off}, {ipk} / (2 * {coss})))",
    "voltage slew",
    up="on off ipk",
    down="coss",
    source="i = C dV/dt: at turn-off the load's current charges both output capacitances, each at "
    "least what it is at the supply",
)
def slope_by_load(on: Any, off: Any, ipk: Any, coss: Any) -> Any:
    """The faster of both edges, of which the load's current limits that of turn-off."""
    return larger(on, smaller(off, ipk / (2 * coss)))


@formula(
    "min({off}, {ipk} / (2 * {coss}))",
    "voltage slew",
    up="off ipk",
    down="coss",
    source="i = C dV/dt, as above",
)
def off_slope(off: Any, ipk: Any, coss: Any) -> Any:
    """Slope of turn-off alone, which the load's current limits."""
    return smaller(off, ipk / (2 * coss))


@formula("max({ion}, {ioff})", "current", up="ion ioff", source="the faster of both edges")
def faster(ion: Any, ioff: Any) -> Any:
    """The larger of both plateau currents."""
    return larger(ion, ioff)


@formula(
    "2 * {ipk} * {ig} / ({vov} * {cgs})",
    "current slew",
    up="ipk ig",
    down="vov cgs",
    source=MODEL,
)
def current_slope(ipk: Any, ig: Any, vov: Any, cgs: Any) -> Any:
    """Steepest slope of the drain current, which stands next to the plateau.

    By the square law it is twice the mean over Qgs2 = Cgs Vov.
    """
    return 2 * ipk * ig / (vov * cgs)


@formula(
    "4 * {ipk} * {ig} / ({vov} * ({cgs} + sqrt({cgs}^2 + 8 * {ipk} * {ls} * {crss} * {ig} / {vov}^2)))",
    "current slew",
    up="ipk ig",
    down="vov cgs ls crss",
    source=MODEL + "; Vds = Vs - L di/dt feeds Ig = Cgs dVgs/dt + Crss L d2i/dt2 back",
)
def damped_slope(ipk: Any, ig: Any, vov: Any, cgs: Any, ls: Any, crss: Any) -> Any:
    """The same with the loop's inductance, whose voltage takes gate current through Crss."""
    root = (cgs * cgs + 8 * ipk * ls * crss * ig / (vov * vov)) ** 0.5
    return 4 * ipk * ig / (vov * (cgs + root))


@formula(
    "{vs} + {vf} + {ls} * {didt}",
    "voltage",
    up="vs vf ls didt",
    source="V = L di/dt, above a supply rail that the other body diode holds",
)
def overshoot(vs: Any, vf: Any, ls: Any, didt: Any) -> Any:
    """Drain-source voltage with the inductive overshoot of turn-off."""
    return vs + vf + ls * didt


@formula("max({a}, {b})", "current slew", up="a b", source="the steeper of both edges")
def steeper(a: Any, b: Any) -> Any:
    """The steeper of two slopes of the drain current."""
    return larger(a, b)


@formula("{ls} * {didt}", "voltage", up="ls didt", source="V = L di/dt")
def early_fall(ls: Any, didt: Any) -> Any:
    """What the loop's inductance takes off the drain voltage before its own edge."""
    return ls * didt


def edge_slope(work: Work, symbol: str, ion: Variable | None, ioff: Variable | None) -> Any:
    """Steepest slope that these plateau currents give."""
    mean = work.derive(
        f"{symbol},mean",
        voltage_slope,
        vs=work.take("Vs", "stage:supply.voltage"),
        ion=ion,
        ioff=ioff,
        qgd=drain_charge(work),
    )
    return work.derive(
        symbol, steepest_slope, mean=mean, ion=ion, ioff=ioff, crss=end_capacitance(work)
    )


SLOPE_USES = (
    CHARGE_USES
    + "stage:bridge.inductance stage:mosfet.coss stage:mosfet.qoss stage:bridge.source_inductance "
)


def steepest_current(
    work: Work, ig: Variable | None, at: tuple[Variable | None, Variable | None] | None = None
) -> Variable | None:
    """Steepest slope of the drain current at a gate current.

    `at` is the drain current with the overdrive that the channel needs for it; the peak current without.
    """
    current, vov = at or (
        work.take("Ipk", "stage:motor.current.peak"),
        overdrive(work),
    )
    parts = {
        "ipk": current,
        "ig": ig,
        "vov": vov,
        "cgs": source_capacitance(work),
    }
    ls = work.maybe("L", "stage:bridge.inductance")
    if ls is None:
        return work.derive("di/dt", current_slope, **parts)
    return work.derive("di/dt", damped_slope, **parts, ls=ls, crss=end_capacitance(work))


@formula(
    "{slope} / (1 + {slope} * {lcs} / {u})",
    "current slew",
    up="slope u",
    down="lcs",
    source="Ig = (u - Lcs di/dt) / R with di/dt in proportion to Ig: L. Balogh, TI SLUA618 "
    "(from memory)",
)
def fed_back(slope: Any, lcs: Any, u: Any) -> Any:
    """Slope with the voltage of the common-source inductance against a resistive drive."""
    return slope / (1 + slope * lcs / u)


def turn_on_slope(work: Work, side: str) -> Variable | None:
    """Steepest rise of the drain current."""
    slope = steepest_current(work, rise_current(work, side))
    return _with_common_source(work, "source", side, slope)


def _with_common_source(work: Work, way: str, side: str, slope: Variable | None) -> Variable | None:
    """The slope behind an inductance at the source; a current source does not mind it."""
    lcs = work.maybe("Lcs", "stage:bridge.source_inductance")
    if lcs is None or not is_resistive(work, way, side):
        return slope
    u = vpl = plateau(work)
    if way == "source":
        u = work.derive("Vg-Vpl", less, a=gate_voltage(work, side), b=vpl)
    return work.derive("di/dt,cs", fed_back, slope=slope, lcs=lcs, u=u)


def full_turn_off_slope(work: Work, side: str) -> Variable | None:
    """Steepest fall of the drain current from the whole load's current."""
    ig = gate_current(work, "sink", side)
    return _with_common_source(work, "sink", side, steepest_current(work, ig))


def turn_off_slope(work: Work, side: str) -> Variable | None:
    """Slope of the channel's current when the drain voltage reaches the supply at turn-off.

    Where the output capacitance is stated, it carries part of the load's current already; the
    drain's current steps with it and may fall more steeply, but no voltage of the loop comes of that.
    """
    ig, coss = gate_current(work, "sink", side), output_capacitance(work)
    if coss is None:
        return full_turn_off_slope(work, side)
    ipk = work.take("Ipk", "stage:motor.current.peak")
    slope = work.derive(
        "dV/dt,end", off_slope, off=edge_slope(work, "dV/dt,off", ig, ig), ipk=ipk, coss=coss
    )
    vs = work.take("Vs", "stage:supply.voltage")
    left = work.derive("Ich", channel_current, ipk=ipk, q=output_charge(work), vs=vs, slope=slope)
    vov = overdrive(work)
    at = left, work.derive("Vov,ch", overdrive_at, vov=vov, i=left, ipk=ipk)
    return _with_common_source(work, "sink", side, steepest_current(work, ig, at))


RINGS = (
    "the loop's damping is not stated, or below a quarter: its ringing adds to the overshoot; "
    f"a margin below {100 * RINGING_DRAIN_ERROR:.0f} % of the limit proves nothing"
)


def with_overshoot(work: Work, side: str, supply: Variable | None) -> Variable | None:
    """Drain voltage at turn-off of the peak current from a supply voltage."""
    less_sure_of_ringing(work, RINGING_DRAIN_ERROR, RINGS)
    return above_supply(work, supply, turn_off_slope(work, side))


def above_supply(work: Work, supply: Variable | None, slope: Variable | None) -> Variable | None:
    """Drain voltage at a turn-off with this slope of the current."""
    return work.derive(
        "Vds",
        overshoot,
        vs=supply,
        vf=work.take("Vf", "stage:diode.vf"),
        ls=work.take("L", "stage:bridge.inductance"),
        didt=slope,
    )


OVERSHOOT_USES = SINK_USES + SLOPE_USES + "stage:diode.vf stage:bridge.damping "
