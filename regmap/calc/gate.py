"""Gate drive: edges and slopes, overshoot, full-drive time, unwanted turn-on."""

from __future__ import annotations

from typing import Any

from .corner import Variable, formula, larger, smaller
from .drive import (
    MODEL,
    SINK_USES,
    SOURCE_USES,
    current_charge,
    edge_time,
    gate_current,
)
from .registry import Outcome, sided
from .verdict import Verdict
from .work import Work

EDGE_CAUTION = "Measure the edge at the phase node: layout and stray inductance shape it too."


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
    "{ipk} * max({ion}, {ioff}) / {qgs2}",
    "current slew",
    up="ipk ion ioff",
    down="qgs2",
    source=MODEL,
)
def current_slope(ipk: Any, ion: Any, ioff: Any, qgs2: Any) -> Any:
    """Mean slope of the drain current while Qgs2 is moved, the faster of both edges."""
    return ipk * larger(ion, ioff) / qgs2


@formula("{ipk} * {ioff} / {qgs2}", "current slew", up="ipk ioff", down="qgs2", source=MODEL)
def current_fall_slope(ipk: Any, ioff: Any, qgs2: Any) -> Any:
    """Mean slope of the drain current at turn-off."""
    return ipk * ioff / qgs2


@formula("{vs} + {ls} * {didt}", "voltage", up="vs ls didt", source="V = L di/dt")
def overshoot(vs: Any, ls: Any, didt: Any) -> Any:
    """Drain-source voltage with the inductive overshoot of turn-off."""
    return vs + ls * didt


@formula(
    "{qg} / min({ion}, {ioff})",
    "time",
    up="qg",
    down="ion ioff",
    source="Microchip MCP14H2304 documentation, section 5.8",
)
def full_charge_time(qg: Any, ion: Any, ioff: Any) -> Any:
    """Time to move the whole gate charge, the slower of both directions: t = Qg / I."""
    return qg / smaller(ion, ioff)


@formula(
    "{cgd} * {vs} * {ion} / {qgd}",
    "current",
    up="cgd vs ion",
    down="qgd",
    source="i = C dV/dt with dV/dt of TI SLLSFQ7",
)
def miller_current(cgd: Any, vs: Any, ion: Any, qgd: Any) -> Any:
    """Current through Cgd while the opposite switch turns on."""
    return cgd * vs * ion / qgd


@formula(
    "{imil} * ({rpd} + {rg} + {rint})",
    "voltage",
    up="imil rpd rg rint",
    source="Fairchild AN-6076, section 6.3 (from memory)",
)
def miller_voltage(imil: Any, rpd: Any, rg: Any, rint: Any) -> Any:
    """Gate voltage that the Miller current raises: must stay below Vth,min."""
    return imil * (rpd + rg + rint)


@formula(
    "{vth} + {tc} * ({tj} - 25)",
    "voltage",
    up="vth",
    either="tc tj",
    source="linear drift of the threshold; common practice, no source",
)
def hot_threshold(vth: Any, tc: Any, tj: Any) -> Any:
    """Gate threshold at a junction temperature in degC."""
    return vth + tc * (tj - 25)


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
)
def fall_time(work: Work, side: str) -> Outcome:
    """Plateau time at turn-off (TI SLVSFV1B, eq. 8)."""
    return _edge(work, "sink", side, "t_fall", "fall_time")


@sided(
    "gate.dvdt",
    "voltage slope at the phase node",
    "dV/dt = Vs max(Isource, Isink) / Qgd; with Crss known also max(Isource, Isink) / Crss",
    SOURCE_USES + SINK_USES + "stage:supply.voltage stage:mosfet.qgd stage:mosfet.crss "
    "stage:limits.dvdt",
    EDGE_CAUTION + " Without Crss this is the mean slope; the steepest part can be several "
    "times steeper where the gate-drain capacitance depends strongly on the voltage.",
)
def dvdt(work: Work, side: str) -> Outcome:
    """Mean slope over the plateau, and the steepest part where Crss is known."""
    ion, ioff = gate_current(work, "source", side), gate_current(work, "sink", side)
    value = work.derive(
        "dV/dt",
        voltage_slope,
        vs=work.take("Vs", "stage:supply.voltage"),
        ion=ion,
        ioff=ioff,
        qgd=work.take("Qgd", "stage:mosfet.qgd"),
    )
    crss = work.maybe("Crss", "stage:mosfet.crss")
    if crss is not None:
        value = work.derive("dV/dt,max", steepest_slope, mean=value, ion=ion, ioff=ioff, crss=crss)
    return work.at_most(value, work.take("limit", "stage:limits.dvdt"))


_QGS2 = "stage:mosfet.qgs stage:mosfet.vth stage:mosfet.plateau stage:motor.current.peak "


@sided(
    "gate.didt",
    "current slope in the switch",
    "di/dt = Ipk max(Isource,th, Isink) / Qgs2, Qgs2 = Qgs Vov / (Vth + Vov)",
    SOURCE_USES + SINK_USES + _QGS2 + "stage:limits.didt",
    EDGE_CAUTION,
)
def didt(work: Work, side: str) -> Outcome:
    """Slope over Qgs2 at the peak current against the limit.

    Through a resistance the gate current is largest at the threshold at turn-on and on the plateau
    at turn-off; those bound the slope.
    """
    value = work.derive(
        "di/dt",
        current_slope,
        ipk=work.take("Ipk", "stage:motor.current.peak"),
        ion=gate_current(work, "source", side, from_threshold=True),
        ioff=gate_current(work, "sink", side),
        qgs2=current_charge(work),
    )
    return work.at_most(value, work.take("limit", "stage:limits.didt"))


@sided(
    "gate.overshoot",
    "drain voltage with the overshoot of turn-off",
    "V = Vs + L Ipk Isink / Qgs2",
    SINK_USES + _QGS2 + "stage:supply.voltage stage:bridge.inductance stage:mosfet.vds_max",
    EDGE_CAUTION,
)
def drain_overshoot(work: Work, side: str) -> Outcome:
    """Supply plus L di/dt against the MOSFET's rating."""
    slope = work.derive(
        "di/dt",
        current_fall_slope,
        ipk=work.take("Ipk", "stage:motor.current.peak"),
        ioff=gate_current(work, "sink", side),
        qgs2=current_charge(work),
    )
    value = work.derive(
        "Vds",
        overshoot,
        vs=work.take("Vs", "stage:supply.voltage"),
        ls=work.take("L", "stage:bridge.inductance"),
        didt=slope,
    )
    return work.at_most(value, work.take("rating", "stage:mosfet.vds_max"))


@sided(
    "gate.drive-time",
    "whole gate charge within the driver's full-drive time",
    "t = Qg / min(Isource, Isink)",
    SOURCE_USES + SINK_USES + "stage:mosfet.qg role:gate.drive_time",
)
def drive_time(work: Work, side: str) -> Outcome:
    """The gate must be charged before the driver falls back to its hold current."""
    value = work.derive(
        "t_drive",
        full_charge_time,
        qg=work.take("Qg", "stage:mosfet.qg"),
        ion=gate_current(work, "source", side),
        ioff=gate_current(work, "sink", side),
    )
    return work.at_most(value, work.take("full-drive time", "role:gate.drive_time"))


_MILLER = "stage:mosfet.cgd stage:supply.voltage stage:mosfet.qgd " + SOURCE_USES.replace(
    "{side}", "{other}"
)


def _miller_current(work: Work, side: str) -> Variable | None:
    other = "low" if side == "high" else "high"
    return work.derive(
        "Imiller",
        miller_current,
        cgd=work.take("Cgd", "stage:mosfet.cgd"),
        vs=work.take("Vs", "stage:supply.voltage"),
        ion=gate_current(work, "source", other),
        qgd=work.take("Qgd", "stage:mosfet.qgd"),
    )


@sided(
    "gate.hold",
    "hold-off current against the Miller current",
    "Imiller = Cgd Vs Isource({other} side) / Qgd",
    _MILLER + "role:gate.hold.{side} role:gate.sink.{side} chip:gate.pulldown "
    "chip:drive.resistance.sink",
    EDGE_CAUTION,
)
def hold(work: Work, side: str) -> Outcome:
    """The hold-off current must exceed Cgd dV/dt of the opposite switch turning on."""
    named = f"role:gate.hold.{side}", f"role:gate.sink.{side}"
    if not work.stated(*named) and work.stated("chip:gate.pulldown", "chip:drive.resistance.sink"):
        return None
    held = work.take("Ihold", named[0] if work.stated(named[0]) else named[1])
    return work.at_most(_miller_current(work, side), held)


@sided(
    "gate.miller",
    "gate voltage raised by the Miller current",
    "V = Cgd dV/dt (Rpd + Rg + Rint) against Vth(hot)",
    _MILLER + "role:gate.hold.{side} role:gate.sink.{side} chip:gate.pulldown "
    "chip:drive.resistance.sink stage:mosfet.internal_resistance stage:gate.resistor.off "
    "stage:mosfet.vth stage:mosfet.vth_tempco stage:mosfet.tj_max",
    EDGE_CAUTION,
)
def miller(work: Work, side: str) -> Outcome:
    """The gate must stay below the threshold of a hot MOSFET.

    A current that holds the driver's pin at the source (check gate.hold) leaves what the resistors
    between the pin and the gate drop.
    """
    if work.stated("chip:gate.pulldown"):
        pull = work.take("Rpd", "chip:gate.pulldown")
    elif work.stated("chip:drive.resistance.sink"):
        pull = work.take("Rpd", "chip:drive.resistance.sink")
    elif work.stated(f"role:gate.hold.{side}", f"role:gate.sink.{side}"):
        pull = work.constant("Rpd", 0.0, "resistance", "a current holds the pin, see gate.hold")
    else:
        return None
    value = work.derive(
        "Vgs",
        miller_voltage,
        imil=_miller_current(work, side),
        rpd=pull,
        rg=work.take("Rg", "stage:gate.resistor.off"),
        rint=work.take("Rint", "stage:mosfet.internal_resistance"),
    )
    limit = work.derive(
        "Vth(hot)",
        hot_threshold,
        vth=work.take("Vth", "stage:mosfet.vth"),
        tc=work.take("tc", "stage:mosfet.vth_tempco"),
        tj=work.take("Tj", "stage:mosfet.tj_max"),
    )
    return work.at_most(value, limit)
