"""Gate drive: edges and slopes, drive time, gate supply, gate voltage, unwanted turn-on."""

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
    gate_voltage,
    is_resistive,
)
from .registry import Outcome, check, sided
from .verdict import Verdict
from .work import Work

EDGE_CAUTION = "Measure the edge at the phase node: layout and stray inductance shape it too."


@formula("{vs} * max({ion}, {ioff}) / {qgd}", "voltage slew", up="vs ion ioff", down="qgd",
         source="TI SLLSFQ7, design table: t = V/SR, Ig = Qgd/t")
def voltage_slope(vs: Any, ion: Any, ioff: Any, qgd: Any) -> Any:
    """Mean slope of the phase node while Qgd is moved, the faster of both edges."""
    return vs * larger(ion, ioff) / qgd


@formula("max({mean}, {ion} / {crss}, {ioff} / {crss})", "voltage slew", up="mean ion ioff",
         down="crss", source="i = C dV/dt: the gate current holds Crss dV/dt on the plateau")
def steepest_slope(mean: Any, ion: Any, ioff: Any, crss: Any) -> Any:
    """Slope where the gate-drain capacitance is smallest, that is at high drain voltage."""
    return larger(mean, larger(ion, ioff) / crss)


@formula("{ipk} * max({ion}, {ioff}) / {qgs2}", "current slew", up="ipk ion ioff", down="qgs2",
         source=MODEL)
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


@formula("{qg} / min({ion}, {ioff})", "time", up="qg", down="ion ioff",
         source="Microchip MCP14H2304 documentation, section 5.8")
def full_charge_time(qg: Any, ion: Any, ioff: Any) -> Any:
    """Time to move the whole gate charge, the slower of both directions: t = Qg / I."""
    return qg / smaller(ion, ioff)


@formula("{n} * {qg} * {f}", "current", up="n qg f",
         source="TI DRV8340-Q1 data sheet, section 9.2.1.2.1 eqs. 4, 5: Icp > Qg f (one "
                "half-bridge commutating), > 3 Qg f (three)")
def gate_supply_current(n: Any, qg: Any, f: Any) -> Any:
    """Average current into `n` gates that switch once in each period: I = n Qg f."""
    return n * qg * f


@formula("{n} * {vg} / {rgs}", "current", up="n vg", down="rgs", source="Ohm's law")
def clamp_current(n: Any, vg: Any, rgs: Any) -> Any:
    """Current through the gate-source resistors while the gates are on."""
    return n * vg / rgs


@formula("{a} + {b}", "current", up="a b", source="sum of loads")
def both_currents(a: Any, b: Any) -> Any:
    """Two loads of one supply."""
    return a + b


@formula("{cgd} * {vs} * {ion} / {qgd}", "current", up="cgd vs ion", down="qgd",
         source="i = C dV/dt with dV/dt of TI SLLSFQ7")
def miller_current(cgd: Any, vs: Any, ion: Any, qgd: Any) -> Any:
    """Current through Cgd while the opposite switch turns on."""
    return cgd * vs * ion / qgd


@formula("{imil} * ({rpd} + {rg} + {rint})", "voltage", up="imil rpd rg rint",
         source="Fairchild AN-6076, section 6.3 (from memory)")
def miller_voltage(imil: Any, rpd: Any, rg: Any, rint: Any) -> Any:
    """Gate voltage that the Miller current raises: must stay below Vth,min."""
    return imil * (rpd + rg + rint)


@formula("{vth} + {tc} * ({tj} - 25)", "voltage", up="vth", either="tc tj",
         source="linear drift of the threshold; common practice, no source")
def hot_threshold(vth: Any, tc: Any, tj: Any) -> Any:
    """Gate threshold at a junction temperature in degC."""
    return vth + tc * (tj - 25)


@formula("min({vreg}, {k} * {vs} - {vd})", "voltage", up="vreg k vs", down="vd",
         source="regulation or drop-out; common practice, no source")
def supplied_gate_voltage(vreg: Any, k: Any, vs: Any, vd: Any) -> Any:
    """Gate-source voltage that a supply can still give."""
    return smaller(vreg, k * vs - vd)


@formula("{n} * {qg} * {vg} * {f}", "power", up="n qg vg f",
         source="TI SLUSAQ3E, eqs. 3 and 5: P = n Qg V f (C V^2 f with Q = C V)")
def gate_power(n: Any, qg: Any, vg: Any, f: Any) -> Any:
    """Power that charging and discharging `n` gates takes."""
    return n * qg * vg * f


@formula("2 * {n}", "ratio", up="n", source="two gates in a half-bridge")
def doubled(n: Any) -> Any:
    """Gates in `n` half-bridges."""
    return 2 * n


@formula("({roff} / ({roff} + {rgoff}) + {ron} / ({ron} + {rgon})) / 2", "ratio",
         up="roff ron", down="rgoff rgon", source="TI SLUSAQ3F p. 24, SLUSAW9E p. 20 (the factor "
         "1/2 is missing in revision E)")
def driver_share(roff: Any, rgoff: Any, ron: Any, rgon: Any) -> Any:
    """Share of the gate power that a resistive driver keeps to itself."""
    return (roff / (roff + rgoff) + ron / (ron + rgon)) / 2


@formula("{a} + {b}", "resistance", up="a b", source="series connection")
def in_series(a: Any, b: Any) -> Any:
    """Two resistances in one path."""
    return a + b


@formula("{vs} * ({iq} + ({k} + 1) * {n} * {qg} * {f}) - 2 * (1 - {s}) * {n} * {qg} * {vg} * {f}",
         "power", up="vs iq k s", down="vg", either="n qg f",
         source="power drawn less power lost outside; static part as TI LM2101 eq. 12")
def driver_power(vs: Any, iq: Any, k: Any, n: Any, qg: Any, f: Any, s: Any, vg: Any) -> Any:
    """Power that stays in the driver: all it draws, less what heats the gate resistors.

    Each of `n` half-bridges takes Qg once a period for its high side (`k` times as much from the
    supply through a charge pump) and once for its low side; `s` is the driver's share.
    """
    return vs * (iq + (k + 1) * n * qg * f) - 2 * (1 - s) * n * qg * vg * f


@formula("({tmax} - {ta}) / {rth}", "power", up="tmax", down="ta", either="rth",
         source="Tj = Ta + P Rth: ST A5973D, eq. 27")
def allowed_power(tmax: Any, ta: Any, rth: Any) -> Any:
    """Power at which the junction reaches its limit."""
    return (tmax - ta) / rth


def _edge(work: Work, way: str, side: str, symbol: str, limit: str) -> Verdict:
    value = edge_time(work, way, side, symbol)
    names = f"stage:limits.{limit}.min", f"stage:limits.{limit}.max"
    if not work.stated(*names):
        work.take("limit", names[1])
    lower, upper = work.maybe("t_min", names[0]), work.maybe("t_max", names[1])
    return work.within(value, lower, upper)


_EDGE = "stage:mosfet.qgd stage:limits.{0}.min stage:limits.{0}.max "


@sided("gate.rise-time", "VDS edge (plateau) at turn-on", "t = Qgd / Isource",
       SOURCE_USES + _EDGE.format("rise_time"), EDGE_CAUTION)
def rise_time(work: Work, side: str) -> Outcome:
    """Plateau time at turn-on (TI SLVSFV1B, eq. 7)."""
    return _edge(work, "source", side, "t_rise", "rise_time")


@sided("gate.fall-time", "VDS edge (plateau) at turn-off", "t = Qgd / Isink",
       SINK_USES + _EDGE.format("fall_time"), EDGE_CAUTION)
def fall_time(work: Work, side: str) -> Outcome:
    """Plateau time at turn-off (TI SLVSFV1B, eq. 8)."""
    return _edge(work, "sink", side, "t_fall", "fall_time")


@sided("gate.dvdt", "voltage slope at the phase node", "dV/dt = Vs max(Isource, Isink) / Qgd; with Crss known also max(Isource, Isink) / Crss",
       SOURCE_USES + SINK_USES + "stage:supply.voltage stage:mosfet.qgd stage:mosfet.crss "
       "stage:limits.dvdt",
       EDGE_CAUTION + " Without Crss this is the mean slope; the steepest part can be several "
       "times steeper where the gate-drain capacitance depends strongly on the voltage.")
def dvdt(work: Work, side: str) -> Outcome:
    """Mean slope over the plateau, and the steepest part where Crss is known."""
    ion, ioff = gate_current(work, "source", side), gate_current(work, "sink", side)
    value = work.derive(
        "dV/dt", voltage_slope, vs=work.take("Vs", "stage:supply.voltage"), ion=ion, ioff=ioff,
        qgd=work.take("Qgd", "stage:mosfet.qgd"),
    )
    crss = work.maybe("Crss", "stage:mosfet.crss")
    if crss is not None:
        value = work.derive("dV/dt,max", steepest_slope, mean=value, ion=ion, ioff=ioff,
                            crss=crss)
    return work.at_most(value, work.take("limit", "stage:limits.dvdt"))


_QGS2 = "stage:mosfet.qgs stage:mosfet.vth stage:mosfet.plateau stage:motor.current.peak "


@sided("gate.didt", "current slope in the switch", "di/dt = Ipk max(Isource, Isink) / Qgs2, "
       "Qgs2 = Qgs Vov / (Vth + Vov)",
       SOURCE_USES + SINK_USES + _QGS2 + "stage:limits.didt", EDGE_CAUTION)
def didt(work: Work, side: str) -> Outcome:
    """Mean slope over Qgs2 at the peak current against the limit."""
    value = work.derive(
        "di/dt", current_slope, ipk=work.take("Ipk", "stage:motor.current.peak"),
        ion=gate_current(work, "source", side), ioff=gate_current(work, "sink", side),
        qgs2=current_charge(work),
    )
    return work.at_most(value, work.take("limit", "stage:limits.didt"))


@sided("gate.overshoot", "drain voltage with the overshoot of turn-off",
       "V = Vs + L Ipk Isink / Qgs2",
       SINK_USES + _QGS2 + "stage:supply.voltage stage:bridge.inductance stage:mosfet.vds_max",
       EDGE_CAUTION)
def drain_overshoot(work: Work, side: str) -> Outcome:
    """Supply plus L di/dt against the MOSFET's rating."""
    slope = work.derive(
        "di/dt", current_fall_slope, ipk=work.take("Ipk", "stage:motor.current.peak"),
        ioff=gate_current(work, "sink", side), qgs2=current_charge(work),
    )
    value = work.derive(
        "Vds", overshoot, vs=work.take("Vs", "stage:supply.voltage"),
        ls=work.take("L", "stage:bridge.inductance"), didt=slope,
    )
    return work.at_most(value, work.take("rating", "stage:mosfet.vds_max"))


@sided("gate.drive-time", "whole gate charge within the driver's drive time",
       "t = Qg / min(Isource, Isink)",
       SOURCE_USES + SINK_USES + "stage:mosfet.qg role:gate.drive_time")
def drive_time(work: Work, side: str) -> Outcome:
    """The gate must be charged before the driver falls back to its hold current."""
    value = work.derive(
        "t_drive", full_charge_time, qg=work.take("Qg", "stage:mosfet.qg"),
        ion=gate_current(work, "source", side), ioff=gate_current(work, "sink", side),
    )
    return work.at_most(value, work.take("drive time", "role:gate.drive_time"))


def _supply(work: Work, per_bridge: int, current: str, symbol: str, side: str) -> Verdict:
    qg, f = work.take("Qg", "stage:mosfet.qg"), work.take("f", "stage:pwm.frequency")
    chosen = work.take("n", "stage:pwm.half_bridges")
    limit = work.take(symbol, current)
    clamp = work.maybe("Rgs", "stage:gate.clamp")
    vg = gate_voltage(work, side) if clamp is not None else None

    def load(bridges: Variable | None) -> Variable | None:
        total = work.derive("Ig", gate_supply_current, n=bridges, qg=qg, f=f)
        if clamp is None:
            return total
        static = work.derive("Igs", clamp_current, n=bridges, vg=vg, rgs=clamp)
        return work.derive("I", both_currents, a=total, b=static)

    def each() -> list[str]:
        lines = []
        for count in (1, 2, 3):
            one = load(work.constant("n", float(count * per_bridge), "ratio", "gates fed"))
            if one is not None:
                text = f"{count} half-bridge{'s' * (count > 1)} switching: {one.text()}"
                lines.append(text if limit is None else f"{text} of {limit.text()}")
        return lines

    work.extra.append(each)
    if chosen is not None and per_bridge != 1:
        gates = float(chosen.typ) * per_bridge
        chosen = work.constant("n", gates, "ratio", "both gates of each half-bridge")
    return work.at_most(load(chosen), limit)


_SUPPLY = ("stage:mosfet.qg stage:pwm.frequency stage:pwm.half_bridges stage:gate.clamp "
           "chip:high_side_supply ")


@check("gate.supply.high", "charge pump feeds the high-side gates", "I = n Qg f (+ n Vg / Rgs)",
       _SUPPLY + "role:gate.voltage.high chip:charge_pump.current")
def supply_high(work: Work) -> Outcome:
    """Average gate current against the charge pump at minimum supply."""
    if bootstrapped(work):
        return None
    return _supply(work, 1, "chip:charge_pump.current", "Icp", "high")


@check("gate.supply.low", "gate regulator feeds its gates", "I = n Qg f (+ n Vg / Rgs)",
       _SUPPLY + "role:gate.voltage.low chip:regulator.current")
def supply_low(work: Work) -> Outcome:
    """Average gate current against the regulator; with bootstraps it feeds both sides."""
    return _supply(work, 2 if bootstrapped(work) else 1, "chip:regulator.current", "Ireg", "low")


def bootstrapped(work: Work) -> bool:
    """Whether bootstrap capacitors feed the high side (stated, or a capacitor is given)."""
    if work.stated("chip:high_side_supply"):
        return work.choice("chip:high_side_supply") == "bootstrap"
    return work.stated("stage:bootstrap.capacitor")


@check("gate.driver-power", "power in the driver",
       "P = Vs (Iq + (k + 1) n Qg f) - 2 (1 - s) n Qg Vg f",
       "stage:supply.driver chip:supply.current chip:charge_pump.input_ratio stage:mosfet.qg "
       "chip:high_side_supply stage:bootstrap.capacitor stage:pwm.half_bridges "
       "stage:pwm.frequency role:gate.voltage.high stage:gate.resistor.on stage:gate.resistor.off "
       "stage:mosfet.internal_resistance chip:drive.resistance.source chip:drive.resistance.sink "
       "role:gate.source.high role:gate.sink.high chip:temperature.max stage:temperature.board "
       "chip:thermal.resistance")
def power(work: Work) -> Outcome:
    """Dissipation against what brings the junction to its limit."""
    allowed = work.derive(
        "Pmax", allowed_power, tmax=work.take("Tmax", "chip:temperature.max"),
        ta=work.take("Ta", "stage:temperature.board"),
        rth=work.take("Rth", "chip:thermal.resistance"),
    )
    return work.at_most(driver_loss(work), allowed)


def driver_loss(work: Work) -> Variable | None:
    """Power in the driver; without resistances known, all of it is counted in the driver."""
    if bootstrapped(work):
        ratio: Variable | None = work.constant("k", 1.0, "ratio", "bootstrap: no multiplication")
    else:
        ratio = work.take("k", "chip:charge_pump.input_ratio")
    if is_resistive(work, "source", "high") and is_resistive(work, "sink", "high"):
        rint = work.take("Rint", "stage:mosfet.internal_resistance")
        share = work.derive(
            "s", driver_share, roff=work.take("Roff", "chip:drive.resistance.sink"),
            rgoff=work.derive("Rgoff", in_series, b=rint,
                              a=work.take("Rg", "stage:gate.resistor.off")),
            ron=work.take("Ron", "chip:drive.resistance.source"),
            rgon=work.derive("Rgon", in_series, b=rint,
                             a=work.take("Rg", "stage:gate.resistor.on")),
        )
    else:
        share = work.constant("s", 1.0, "ratio", "all gate power counted in the driver")
    vg = gate_voltage(work, "high", optional=True)
    if vg is None:
        vg, share = (work.constant("Vg", 0.0, "voltage", "not needed"),
                     work.constant("s", 1.0, "ratio", "all gate power counted in the driver"))
    else:
        gates = work.derive("n", doubled, n=work.take("n", "stage:pwm.half_bridges"))
        power = work.derive("Pgate", gate_power, n=gates, qg=work.take("Qg", "stage:mosfet.qg"),
                            vg=vg, f=work.take("f", "stage:pwm.frequency"))
        work.extra += [power] if power is not None else []
    return work.derive(
        "P", driver_power, vs=work.take("Vs", "stage:supply.driver"),
        iq=work.take("Iq", "chip:supply.current"), k=ratio,
        n=work.take("n", "stage:pwm.half_bridges"), qg=work.take("Qg", "stage:mosfet.qg"),
        f=work.take("f", "stage:pwm.frequency"), s=share, vg=vg,
    )


_MILLER = ("stage:mosfet.cgd stage:supply.voltage stage:mosfet.qgd "
           + SOURCE_USES.replace("{side}", "{other}"))


def _miller_current(work: Work, side: str) -> Variable | None:
    other = "low" if side == "high" else "high"
    return work.derive(
        "Imiller", miller_current, cgd=work.take("Cgd", "stage:mosfet.cgd"),
        vs=work.take("Vs", "stage:supply.voltage"), ion=gate_current(work, "source", other),
        qgd=work.take("Qgd", "stage:mosfet.qgd"),
    )


@sided("gate.hold", "hold-off current against the Miller current",
       "Imiller = Cgd Vs Isource({other} side) / Qgd",
       _MILLER + "role:gate.hold.{side} role:gate.sink.{side} chip:gate.pulldown "
       "chip:drive.resistance.sink", EDGE_CAUTION)
def hold(work: Work, side: str) -> Outcome:
    """The hold-off current must exceed Cgd dV/dt of the opposite switch turning on."""
    named = f"role:gate.hold.{side}", f"role:gate.sink.{side}"
    if not work.stated(*named) and work.stated("chip:gate.pulldown", "chip:drive.resistance.sink"):
        return None
    held = work.take("Ihold", named[0] if work.stated(named[0]) else named[1])
    return work.at_most(_miller_current(work, side), held)


@sided("gate.miller", "gate voltage raised by the Miller current",
       "V = Cgd dV/dt (Rpd + Rg + Rint) against Vth(hot)",
       _MILLER + "chip:gate.pulldown chip:drive.resistance.sink stage:gate.resistor.off "
       "stage:mosfet.vth stage:mosfet.vth_tempco stage:mosfet.tj_max", EDGE_CAUTION)
def miller(work: Work, side: str) -> Outcome:
    """With a resistive hold-off, the gate must stay below the threshold of a hot MOSFET."""
    if work.stated("chip:gate.pulldown"):
        pull = work.take("Rpd", "chip:gate.pulldown")
    elif work.stated("chip:drive.resistance.sink"):
        pull = work.take("Rpd", "chip:drive.resistance.sink")
    else:
        return None
    value = work.derive(
        "Vgs", miller_voltage, imil=_miller_current(work, side), rpd=pull,
        rg=work.take("Rg", "stage:gate.resistor.off"),
        rint=work.take("Rint", "stage:mosfet.internal_resistance"),
    )
    limit = work.derive(
        "Vth(hot)", hot_threshold, vth=work.take("Vth", "stage:mosfet.vth"),
        tc=work.take("tc", "stage:mosfet.vth_tempco"), tj=work.take("Tj", "stage:mosfet.tj_max"),
    )
    return work.at_most(value, limit)


def _voltage(work: Work, side: str, supply: Variable | None) -> Verdict:
    vreg = gate_voltage(work, side)
    if side == "high" and not bootstrapped(work):
        ratio = work.take("k", "chip:charge_pump.ratio")
        drop = work.take("Vd", "chip:charge_pump.dropout")
    else:
        ratio = work.constant("k", 1.0, "ratio", "a regulator from the supply")
        drop = work.take("Vd", "chip:regulator.dropout")
    value = work.derive("Vgs", supplied_gate_voltage, vreg=vreg, k=ratio, vs=supply, vd=drop)
    if value is not None and side == "high" and bootstrapped(work):
        value = work.derive("Vboot", less, a=value, b=work.take("Vf", "chip:bootstrap.vf"))
    return work.at_least(value, work.take("Vgs,on", "stage:mosfet.vgs_on"))


@formula("{a} - {b}", "voltage", up="a", down="b", source="difference")
def less(a: Any, b: Any) -> Any:
    """A voltage less a drop."""
    return a - b


_VOLTAGE = ("role:gate.voltage.{side} chip:charge_pump.ratio chip:charge_pump.dropout "
            "chip:regulator.dropout chip:bootstrap.vf chip:high_side_supply "
            "stage:bootstrap.capacitor stage:mosfet.vgs_on ")


@sided("gate.voltage", "gate voltage at the lowest operating supply", "Vgs = min(Vg, k Vs - Vd)",
       _VOLTAGE + "stage:supply.driver")
def low_supply_voltage(work: Work, side: str) -> Outcome:
    """Gate voltage in drop-out against what the stated on-resistance needs."""
    return _voltage(work, side, work.take("Vs", "stage:supply.driver"))


@sided("gate.voltage-crank", "gate voltage in the starting profile", "Vgs = min(Vg, k Vs - Vd)",
       _VOLTAGE + "stage:supply.crank")
def crank_voltage(work: Work, side: str) -> Outcome:
    """The same at the lowest level of the starting profile that the user states."""
    return _voltage(work, side, work.take("Vcrank", "stage:supply.crank"))


@sided("gate.rating", "gate voltage against the gate's rating", "Vg <= Vgs,max",
       "role:gate.voltage.{side} stage:mosfet.vgs_max")
def rating(work: Work, side: str) -> Outcome:
    """The regulated gate voltage at its highest against the rating."""
    return work.at_most(gate_voltage(work, side), work.take("Vgs,max", "stage:mosfet.vgs_max"))

