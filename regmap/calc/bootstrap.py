"""Storage for the high-side gates: bootstrap capacitor and charge-pump capacitor."""

from __future__ import annotations

from typing import Any

from .corner import Variable, any_of, decay, formula, larger
from .currents import gate_voltage, in_series
from .device import CHARGE_USES, total_charge
from .gatesupply import bootstrapped, both_currents, pulldown_current
from .pwm import DEADTIME_USES, low_side_time, on_time, set_deadtime
from .registry import Outcome, check
from .work import Work

MICROCHIP = "Microchip motor-control documentation, section 13.24.2"
TI = "TI SLLSFV1, eqs. 13, 14"


@formula("({qg} + {ib} * {ton}) / {c}", "voltage", up="qg ib ton", down="c", source=MICROCHIP)
def droop(qg: Any, ib: Any, ton: Any, c: Any) -> Any:
    """Sag of the bootstrap over one on-time: dV = (Qg + I ton) / C."""
    return (qg + ib * ton) / c


@formula(
    "{qg} + {ib} * (1 / {f} - {t})",
    "charge",
    up="qg ib",
    down="f t",
    source=TI + " for t = 0; while it is recharged the load is fed past it",
)
def charge_per_period(qg: Any, ib: Any, f: Any, t: Any) -> Any:
    """Charge taken from the bootstrap in one period, but for the time `t` of its recharge."""
    return qg + ib * (1 / f - t)


@formula(
    "{vf} + {r} * {ib}",
    "voltage",
    up="vf r ib",
    source="Ohm's law: the load flows through the path of the recharge too",
)
def path_drop(vf: Any, r: Any, ib: Any) -> Any:
    """What lies between the supply and a bootstrap that is recharged for long."""
    return vf + r * ib


@formula("{vdd} - {vf} - {vuv}", "voltage", up="vdd", down="vf vuv", source=TI)
def allowed_droop(vdd: Any, vf: Any, vuv: Any) -> Any:
    """Sag at which the floating undervoltage detection trips: dVmax = Vdd - Vf - Vuv."""
    return vdd - vf - vuv


@formula(
    "{vdd} - {vf} - {q} / ({c} * (1 - exp(-{t} / ({r} * {c}))))",
    "voltage",
    up="vdd t c",
    down="vf q r",
    source="Microchip, section 13.24.1.6 (exponential recharge), in the periodic state; for "
    "long RC it becomes ST DocID13991, eq. 3: Vdrop = Q/t R",
)
def lowest_bootstrap(vdd: Any, vf: Any, q: Any, c: Any, t: Any, r: Any) -> Any:
    """Lowest bootstrap voltage once charge taken and charge returned balance."""
    left = 0.0 if not any_of(r > 0) else decay(t / (r * c))
    return vdd - vf - q / (c * (1 - left))


@formula(
    "max(0, {c} * {dv} - {qg}) / {ib}",
    "time",
    up="c dv",
    down="qg ib",
    source=MICROCHIP + " solved for the on-time",
)
def longest_on_time(c: Any, dv: Any, qg: Any, ib: Any) -> Any:
    """On-time after which the sag is used up; none where the gate's charge alone is more."""
    return larger(0.0, c * dv - qg) / ib


@formula(
    "{n} * {qg} / {c}",
    "voltage",
    up="n qg",
    down="c",
    source="Microchip, section 4.5: dV = I t / C with I t = Q",
)
def pump_droop(n: Any, qg: Any, c: Any) -> Any:
    """Sag of the charge-pump capacitor when `n` gates charge at the same time."""
    return n * qg / c


def floating_load(work: Work) -> Variable | None:
    """Current that a floating supply must feed while its gate is on."""
    load = work.derive(
        "Ileak",
        both_currents,
        a=work.take("Ib", "chip:bootstrap.bias_current"),
        b=work.take("Igss", "stage:mosfet.gate_leakage"),
    )
    pulldown = work.maybe("Rgs", "stage:gate.resistor.pulldown")
    if pulldown is None:
        return load
    static = work.derive(
        "Igs",
        pulldown_current,
        n=work.constant("n", 1.0, "ratio", "one gate"),
        vg=gate_voltage(work, "high"),
        rgs=pulldown,
    )
    return work.derive("Iload", both_currents, a=load, b=static)


def longest_on(work: Work) -> Variable | None:
    """The on-time at the highest duty cycle."""
    return work.derive(
        "ton",
        on_time,
        d=work.take("Dmax", "stage:pwm.duty.max"),
        f=work.take("f", "stage:pwm.frequency"),
    )


def sag_in_on_time(work: Work) -> Variable | None:
    """How far the bootstrap capacitor sags in the longest on-time."""
    return work.derive(
        "dV",
        droop,
        ton=longest_on(work),
        qg=total_charge(work, "high"),
        ib=floating_load(work),
        c=work.take("C", "stage:bootstrap.capacitor"),
    )


def charging_path(work: Work) -> Variable | None:
    """The resistance that the bootstrap capacitor is charged through."""
    return work.derive(
        "R",
        in_series,
        a=work.take("Rboot", "chip:bootstrap.resistance"),
        b=work.take("Rext", "stage:bootstrap.resistor"),
    )


_LOAD = (
    "chip:high_side_supply stage:bootstrap.capacitor chip:bootstrap.bias_current "
    "stage:mosfet.gate_leakage stage:gate.resistor.pulldown role:gate.voltage.high " + CHARGE_USES
)
_ROOM = "role:gate.voltage.low chip:bootstrap.vf chip:bootstrap.uv "


def _room(work: Work) -> Variable | None:
    return work.derive(
        "dVmax",
        allowed_droop,
        vdd=gate_voltage(work, "low"),
        vf=work.take("Vf", "chip:bootstrap.vf"),
        vuv=work.take("Vuv", "chip:bootstrap.uv"),
    )


def _always_on(work: Work) -> bool:
    """Whether the highest duty cycle is 100 %, so that there is no refresh."""
    item = work.inputs.find("stage:pwm.duty.max", optional=True)
    work.stated("stage:pwm.duty.max")
    return item is not None and not isinstance(item.value, (str, int)) and item.value.high >= 1


@check(
    "bootstrap.droop",
    "sag of the bootstrap in one on-time",
    "dV = (Qg + Ileak Dmax / f) / C",
    _LOAD + "stage:pwm.duty.max stage:pwm.frequency stage:limits.gate_droop",
)
def bootstrap_droop(work: Work) -> Outcome:
    """Capacitor size: the sag of one on-time against the sag permitted."""
    if not bootstrapped(work):
        return None
    return work.at_most(sag_in_on_time(work), work.take("dVmax", "stage:limits.gate_droop"))


@check(
    "bootstrap.refresh",
    "bootstrap stays above its undervoltage threshold",
    "Vmin = Vdd - Vf - R Ileak - Q / (C (1 - exp(-t / RC))), Q = Qg + Ileak (1 / f - t), "
    "t = (1 - Dmax) / f - td",
    _LOAD
    + _ROOM
    + DEADTIME_USES
    + "stage:pwm.duty.max stage:pwm.frequency chip:bootstrap.resistance stage:bootstrap.resistor",
)
def bootstrap_refresh(work: Work) -> Outcome:
    """Shortest low-side time against the recharge it must give."""
    if not bootstrapped(work) or _always_on(work):
        return None
    f, load = work.take("f", "stage:pwm.frequency"), floating_load(work)
    window = work.derive(
        "t",
        low_side_time,
        d=work.take("Dmax", "stage:pwm.duty.max"),
        f=f,
        td=set_deadtime(work),
    )
    path = charging_path(work)
    vuv = work.take("Vuv", "chip:bootstrap.uv")
    if window is not None and isinstance(window.low, float) and window.low <= 0:
        return work.refuse("the low side is not on at the highest duty: no refresh")
    value = work.derive(
        "Vmin",
        lowest_bootstrap,
        vdd=gate_voltage(work, "low"),
        vf=work.derive(
            "Vpath", path_drop, vf=work.take("Vf", "chip:bootstrap.vf"), r=path, ib=load
        ),
        q=work.derive(
            "Q",
            charge_per_period,
            qg=total_charge(work, "high"),
            ib=load,
            f=f,
            t=window,
        ),
        c=work.take("C", "stage:bootstrap.capacitor"),
        t=window,
        r=path,
    )
    return work.at_least(value, vuv)


@check(
    "bootstrap.on-time",
    "longest on-time without refresh",
    "tmax = max(0, C (Vdd - Vf - Vuv) - Qg) / Ileak",
    _LOAD + _ROOM + "stage:pwm.duty.max stage:pwm.frequency",
)
def bootstrap_on_time(work: Work) -> Outcome:
    """How long the bootstrap alone holds the gate against the on-time at the highest duty."""
    if not bootstrapped(work) or _always_on(work):
        return None
    value = work.derive(
        "tmax",
        longest_on_time,
        c=work.take("C", "stage:bootstrap.capacitor"),
        dv=_room(work),
        qg=total_charge(work, "high"),
        ib=floating_load(work),
    )
    return work.at_least(value, longest_on(work))


@check(
    "bootstrap.full-duty",
    "100 % duty: trickle current against leakage",
    "Itrickle >= Ib + Igss (+ Vg / Rgs)",
    _LOAD + "chip:bootstrap.trickle_current stage:pwm.duty.max",
)
def bootstrap_full_duty(work: Work) -> Outcome:
    """At 100 % duty only a trickle current keeps the bootstrap up."""
    if not bootstrapped(work) or not _always_on(work):
        return None
    return work.at_most(
        floating_load(work), work.take("Itrickle", "chip:bootstrap.trickle_current")
    )


@check(
    "charge-pump.full-duty",
    "100 % duty: charge pump against static gate load",
    "n (Igss + Vg / Rgs) <= Icp",
    "chip:high_side_supply stage:bootstrap.capacitor stage:mosfet.gate_leakage "
    "stage:gate.resistor.pulldown role:gate.voltage.high chip:charge_pump.current stage:pwm.duty.max",
)
def pump_full_duty(work: Work) -> Outcome:
    """With a charge pump, 100 % duty of all three high sides loads it with leakage only."""
    if bootstrapped(work) or not _always_on(work):
        return None
    three = work.constant("n", 3.0, "ratio", "all high sides on")
    load = work.derive(
        "Ileak", static_load, n=three, i=work.take("Igss", "stage:mosfet.gate_leakage")
    )
    pulldown = work.maybe("Rgs", "stage:gate.resistor.pulldown")
    if pulldown is not None:
        static = work.derive(
            "Igs", pulldown_current, n=three, vg=gate_voltage(work, "high"), rgs=pulldown
        )
        load = work.derive("Iload", both_currents, a=load, b=static)
    return work.at_most(load, work.take("Icp", "chip:charge_pump.current"))


@formula("{n} * {i}", "current", up="n i", source="sum of equal loads")
def static_load(n: Any, i: Any) -> Any:
    """Leakage of `n` gates."""
    return n * i


@check(
    "charge-pump.droop",
    "sag of the charge-pump capacitor",
    "dV = n Qg / C",
    CHARGE_USES
    + "role:gate.voltage.high chip:high_side_supply stage:bootstrap.capacitor stage:pwm.half_bridges "
    "stage:charge_pump.capacitor stage:limits.gate_droop",
)
def pump_capacitor(work: Work) -> Outcome:
    """All switching high sides at the same moment against the sag permitted."""
    if bootstrapped(work):
        return None
    value = work.derive(
        "dV",
        pump_droop,
        n=work.take("n", "stage:pwm.half_bridges"),
        qg=total_charge(work, "high"),
        c=work.take("C", "stage:charge_pump.capacitor"),
    )
    return work.at_most(value, work.take("dVmax", "stage:limits.gate_droop"))
