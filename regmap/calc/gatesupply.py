"""Gate supply: average current, power in the driver, gate voltage at low supply.

The checks carry the subjects `gate` and, for what it protects, `undervoltage`.
"""

from __future__ import annotations

from typing import Any

from ..quantity import many
from .corner import Variable, formula, larger, smaller
from .currents import gate_voltage, in_series, is_resistive, less
from .device import CHARGE_USES, total_charge
from .registry import Outcome, check, sided
from .verdict import Verdict
from .work import Work


@formula(
    "{n} * {qg} * {f}",
    "current",
    up="n qg f",
    source="TI DRV8340-Q1 data sheet, section 9.2.1.2.1 eqs. 4, 5: Icp > Qg f (one "
    "half-bridge commutating), > 3 Qg f (three)",
)
def gate_supply_current(n: Any, qg: Any, f: Any) -> Any:
    """Average current into `n` gates that switch once in each period: I = n Qg f."""
    return n * qg * f


@formula("{n} * {vg} / {rgs}", "current", up="n vg", down="rgs", source="Ohm's law")
def pulldown_current(n: Any, vg: Any, rgs: Any) -> Any:
    """Current through the gate-source resistors while the gates are on."""
    return n * vg / rgs


@formula("{a} + {b}", "current", up="a b", source="sum of loads")
def both_currents(a: Any, b: Any) -> Any:
    """Two loads of one supply."""
    return a + b


@formula(
    "min({vreg}, {k} * {vs} - {vd})",
    "voltage",
    up="vreg k vs",
    down="vd",
    source="regulation, or a multiple of the supply less a drop: Allegro A3930 data sheet, 3930-DS "
    "Rev. 4, VREG; TI DRV8106-Q1 data sheet, SLLSFA9B, VVCP",
)
def supplied_gate_voltage(vreg: Any, k: Any, vs: Any, vd: Any) -> Any:
    """Gate-source voltage that a supply can still give."""
    return smaller(vreg, k * vs - vd)


@formula(
    "{n} * {qg} * {vg} * {f}",
    "power",
    up="n qg vg f",
    source="TI SLUSAQ3E, eqs. 3 and 5: P = n Qg V f (C V^2 f with Q = C V)",
)
def gate_power(n: Any, qg: Any, vg: Any, f: Any) -> Any:
    """Power that charging and discharging `n` gates takes."""
    return n * qg * vg * f


@formula("2 * {n}", "ratio", up="n", source="two gates in a half-bridge")
def doubled(n: Any) -> Any:
    """Gates in `n` half-bridges."""
    return 2 * n


@formula(
    "({roff} / ({roff} + {rgoff}) + {ron} / ({ron} + {rgon})) / 2",
    "ratio",
    up="roff ron",
    down="rgoff rgon",
    source="TI SLUSAQ3F p. 24, SLUSAW9E p. 20 (the factor 1/2 is missing in revision E)",
)
def driver_share(roff: Any, rgoff: Any, ron: Any, rgon: Any) -> Any:
    """Share of the gate power that a resistive driver keeps to itself."""
    return (roff / (roff + rgoff) + ron / (ron + rgon)) / 2


@formula(
    "{vs} * ({iq} + ({k} + 1) * {n} * {qg} * {f}) - 2 * (1 - {s}) * {n} * {qg} * {vg} * {f}",
    "power",
    up="vs iq k s",
    down="vg",
    either="n qg f",
    source="power drawn less power lost outside; static part as TI LM2101 eq. 12",
)
def driver_power(vs: Any, iq: Any, k: Any, n: Any, qg: Any, f: Any, s: Any, vg: Any) -> Any:
    """Power that stays in the driver: all it draws, less what heats the gate resistors.

    Each of `n` half-bridges takes Qg once a period for its high side (`k` times as much from the
    supply through a charge pump) and once for its low side; `s` is the driver's share.
    """
    return vs * (iq + (k + 1) * n * qg * f) - 2 * (1 - s) * n * qg * vg * f


@formula(
    "({tmax} - {ta}) / {rth}",
    "power",
    up="tmax",
    down="ta",
    either="rth",
    source="Tj = Ta + P Rth: ST A5973D, eq. 27",
)
def allowed_power(tmax: Any, ta: Any, rth: Any) -> Any:
    """Power at which the junction reaches its limit."""
    return (tmax - ta) / rth


def _supply(work: Work, per_bridge: int, current: str, symbol: str, side: str) -> Verdict:
    qg, f = total_charge(work, side), work.take("f", "stage:pwm.frequency")
    chosen = work.take("n", "stage:pwm.half_bridges")
    limit = work.take(symbol, current)
    pulldown = work.maybe("Rgs", "stage:gate.resistor.pulldown")
    vg = gate_voltage(work, side) if pulldown is not None else None

    def load(bridges: Variable | None) -> Variable | None:
        total = work.derive("Ig", gate_supply_current, n=bridges, qg=qg, f=f)
        if pulldown is None:
            return total
        static = work.derive("Igs", pulldown_current, n=bridges, vg=vg, rgs=pulldown)
        return work.derive("I", both_currents, a=total, b=static)

    def each() -> list[str]:
        lines = []
        for count in (1, 2, 3):
            one = load(work.constant("n", float(count * per_bridge), "ratio", "gates fed"))
            if one is not None:
                text = f"{many(count, 'half-bridge')} switching: {one.text()}"
                lines.append(text if limit is None else f"{text} of {limit.text()}")
        return lines

    work.extra.append(each)
    if chosen is not None and per_bridge != 1:
        gates = float(chosen.typ) * per_bridge
        chosen = work.constant("n", gates, "ratio", "both gates of each half-bridge")
    return work.at_most(load(chosen), limit)


_SUPPLY = (
    CHARGE_USES + "stage:pwm.frequency stage:pwm.half_bridges stage:gate.resistor.pulldown "
    "chip:high_side_supply stage:bootstrap.capacitor "
)


@check(
    "gate.supply.high",
    "charge pump feeds the high-side gates",
    "I = n Qg f (+ n Vg / Rgs)",
    _SUPPLY + "role:gate.voltage.high chip:charge_pump.current",
)
def supply_high(work: Work) -> Outcome:
    """Average gate current against the charge pump at minimum supply."""
    if bootstrapped(work):
        return None
    return _supply(work, 1, "chip:charge_pump.current", "Icp", "high")


@check(
    "gate.supply.low",
    "gate regulator feeds its gates",
    "I = n Qg f (+ n Vg / Rgs)",
    _SUPPLY + "role:gate.voltage.low chip:regulator.current",
)
def supply_low(work: Work) -> Outcome:
    """Average gate current against the regulator; with bootstraps it feeds both sides."""
    return _supply(work, 2 if bootstrapped(work) else 1, "chip:regulator.current", "Ireg", "low")


def bootstrapped(work: Work) -> bool:
    """Whether bootstrap capacitors feed the high side (stated, or a capacitor is given)."""
    if work.stated("chip:high_side_supply"):
        return work.choice("chip:high_side_supply") == "bootstrap"
    return work.stated("stage:bootstrap.capacitor")


@check(
    "gate.driver-power",
    "power in the driver",
    "P = Vs (Iq + (k + 1) n Qg f) - 2 (1 - s) n Qg Vg f",
    "stage:supply.driver chip:supply.current chip:charge_pump.input_ratio "
    + CHARGE_USES
    + "chip:high_side_supply stage:bootstrap.capacitor stage:pwm.half_bridges "
    "stage:pwm.frequency role:gate.voltage.high stage:gate.resistor.on stage:gate.resistor.off "
    "stage:mosfet.internal_resistance chip:drive.resistance.source chip:drive.resistance.sink "
    "role:gate.source.high role:gate.sink.high chip:driver.tj_max stage:temperature.board "
    "chip:driver.rth",
)
def power(work: Work) -> Outcome:
    """Dissipation against what brings the junction to its limit."""
    allowed = work.derive(
        "Pmax",
        allowed_power,
        tmax=work.take("Tmax", "chip:driver.tj_max"),
        ta=work.take("Ta", "stage:temperature.board"),
        rth=work.take("Rth", "chip:driver.rth"),
    )
    return work.at_most(driver_loss(work), allowed)


DRIVER_USES = (
    "chip:driver.rth role:temperature.warning role:temperature.shutdown chip:driver.tj_max "
    "stage:supply.driver chip:supply.current chip:charge_pump.input_ratio "
    + CHARGE_USES
    + "chip:high_side_supply stage:bootstrap.capacitor stage:pwm.half_bridges stage:pwm.frequency "
    "role:gate.voltage.high stage:gate.resistor.on stage:gate.resistor.off "
    "stage:mosfet.internal_resistance chip:drive.resistance.source "
    "chip:drive.resistance.sink role:gate.source.high role:gate.sink.high"
)


def driver_loss(work: Work) -> Variable | None:
    """Power in the driver; without resistances known, all of it is counted in the driver."""
    if bootstrapped(work):
        ratio: Variable | None = work.constant("k", 1.0, "ratio", "bootstrap: no multiplication")
    else:
        ratio = work.take("k", "chip:charge_pump.input_ratio")
    if is_resistive(work, "source", "high") and is_resistive(work, "sink", "high"):
        rint = work.take("Rint", "stage:mosfet.internal_resistance")
        share = work.derive(
            "s",
            driver_share,
            roff=work.take("Roff", "chip:drive.resistance.sink"),
            rgoff=work.derive(
                "Rgoff", in_series, b=rint, a=work.take("Rg", "stage:gate.resistor.off")
            ),
            ron=work.take("Ron", "chip:drive.resistance.source"),
            rgon=work.derive(
                "Rgon", in_series, b=rint, a=work.take("Rg", "stage:gate.resistor.on")
            ),
        )
    else:
        share = work.constant("s", 1.0, "ratio", "all gate power counted in the driver")
    vg = gate_voltage(work, "high", optional=True)
    if vg is None:
        vg, share = (
            work.constant("Vg", 0.0, "voltage", "not needed"),
            work.constant("s", 1.0, "ratio", "all gate power counted in the driver"),
        )
    else:
        gates = work.derive("n", doubled, n=work.take("n", "stage:pwm.half_bridges"))
        power = work.derive(
            "Pgate",
            gate_power,
            n=gates,
            qg=total_charge(work, "high"),
            vg=vg,
            f=work.take("f", "stage:pwm.frequency"),
        )
        work.extra += [power] if power is not None else []
    return work.derive(
        "P",
        driver_power,
        vs=work.take("Vs", "stage:supply.driver"),
        iq=work.take("Iq", "chip:supply.current"),
        k=ratio,
        n=work.take("n", "stage:pwm.half_bridges"),
        qg=total_charge(work, "high"),
        f=work.take("f", "stage:pwm.frequency"),
        s=share,
        vg=vg,
    )


def _voltage(work: Work, side: str, supply: Variable | None) -> Verdict:
    vreg = gate_voltage(work, side)
    if side == "high" and not bootstrapped(work):
        ratio = work.take("k", "chip:charge_pump.ratio")
        drop = work.take("Vd", "chip:charge_pump.dropout")
    else:
        # it feeds a bootstrap too
        ratio = work.take("k", "chip:regulator.ratio")
        drop = work.take("Vd", "chip:regulator.dropout")
    value = work.derive("Vgs", supplied_gate_voltage, vreg=vreg, k=ratio, vs=supply, vd=drop)
    if value is not None and side == "high" and bootstrapped(work):
        value = work.derive("Vboot", less, a=value, b=work.take("Vf", "chip:bootstrap.vf"))
    return work.at_least(value, work.take("Vgs,on", "stage:mosfet.vgs_on"))


_VOLTAGE = (
    "role:gate.voltage.{side} chip:charge_pump.ratio chip:charge_pump.dropout "
    "chip:regulator.ratio chip:regulator.dropout chip:bootstrap.vf chip:high_side_supply "
    "stage:bootstrap.capacitor stage:mosfet.vgs_on "
)


@sided(
    "gate.voltage",
    "gate voltage at the lowest operating supply",
    "Vgs = min(Vg, k Vs - Vd)",
    _VOLTAGE + "stage:supply.driver",
)
def low_supply_voltage(work: Work, side: str) -> Outcome:
    """Gate voltage in drop-out against what the stated on-resistance needs."""
    return _voltage(work, side, work.take("Vs", "stage:supply.driver"))


@sided(
    "gate.voltage-crank",
    "gate voltage in the starting profile",
    "Vgs = min(Vg, k Vs - Vd)",
    _VOLTAGE + "stage:supply.crank",
)
def crank_voltage(work: Work, side: str) -> Outcome:
    """The same at the lowest level of the starting profile that the user states."""
    return _voltage(work, side, work.take("Vcrank", "stage:supply.crank"))


@sided(
    "undervoltage.protects",
    "gate voltage at the undervoltage threshold",
    "Vgs = min(Vg, k Vuv - Vd)",
    _VOLTAGE + "role:uv.threshold role:uv.mode",
    "Between the lowest operating supply and the threshold the outputs still switch: a MOSFET "
    "whose gate voltage is too low there carries its current half on, and overheats.",
    "uv.threshold",
)
def undervoltage_voltage(work: Work, side: str) -> Outcome:
    """The same at the lowest supply at which the outputs still switch.

    That is the threshold's minimum by its tolerance. A monitor of the gate supply itself, where the
    chip has one, may stop the outputs earlier; it is not counted on here. A threshold that stops no
    output protects no gate, and fails.
    """
    if not work.stated("role:uv.threshold"):
        return None
    verdict = _voltage(work, side, work.take("Vuv", "role:uv.threshold"))
    return work.protected(verdict, "uv.threshold", "uv.mode", acts="uv.mode")


@formula(
    "max({vg}, {vdd} + {vd} - {vf})",
    "voltage",
    up="vg vdd vd",
    down="vf",
    source="in the dead time the body diode pulls the node below ground, and the bootstrap charges "
    "that much higher: TI SLUA887 (from memory)",
)
def overcharged(vg: Any, vdd: Any, vd: Any, vf: Any) -> Any:
    """Bootstrap voltage with the phase node held below ground by the low side's body diode."""
    return larger(vg, vdd + vd - vf)


@sided(
    "gate.rating",
    "gate voltage against the gate's rating",
    "Vg <= Vgs,max; of a bootstrap also Vdd + Vdiode - Vf",
    "role:gate.voltage.{side} stage:mosfet.vgs_max chip:high_side_supply "
    "stage:bootstrap.capacitor role:gate.voltage.low stage:diode.vf chip:bootstrap.vf",
)
def rating(work: Work, side: str) -> Outcome:
    """The gate voltage at its highest against the rating, a bootstrap's overcharge included."""
    vg = gate_voltage(work, side)
    if side == "high" and bootstrapped(work):
        vg = work.derive(
            "Vboot",
            overcharged,
            vg=vg,
            vdd=gate_voltage(work, "low"),
            vd=work.take("Vdiode", "stage:diode.vf"),
            vf=work.take("Vf", "chip:bootstrap.vf"),
        )
    return work.at_most(vg, work.take("Vgs,max", "stage:mosfet.vgs_max"))
