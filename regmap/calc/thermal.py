"""Thermal: losses of the MOSFETs with Rds(T) iterated, and the driver's own temperature."""

from __future__ import annotations

from typing import Any

from .corner import Variable, any_of, decay, formula
from .device import less_sure_of_part, output_charge, recovery_charge
from .edges import OFF_USES, ON_USES, current_edge_time, edge_time, then
from .gatesupply import DRIVER_USES, driver_loss
from .inputs import ImpossibleError
from .pwm import DEADTIME_USES, set_deadtime
from .registry import Outcome, check, sided
from .vds import on_resistance
from .work import Work

CAUTION = "Junction temperatures are estimates: measure case and board temperatures on the stage."


@formula("{s} * {i}^2 * {r}", "power", up="s i r", source="ST A5973D, eqs. 23-25: R I^2 D")
def conduction_loss(s: Any, i: Any, r: Any) -> Any:
    """Conduction loss at 25 degC; `s` is the share of time the switch carries the current."""
    return s * i * i * r


@formula(
    "{s} * {vs} * {i} * ({ton} + {toff}) / 2 * {f}",
    "power",
    up="s vs i ton toff f",
    source="ST A5973D, eqs. 23-25: V I tsw f with tsw = (ton + toff) / 2",
)
def switching_loss(s: Any, vs: Any, i: Any, ton: Any, toff: Any, f: Any) -> Any:
    """Loss of both edges; the rms current stands for the smaller mean current."""
    return s * vs * i * (ton + toff) / 2 * f


@formula(
    "{vf} * {i} * {td} * {f}",
    "power",
    up="vf i td f",
    source="one dead time a period for each switch; common practice, no source",
)
def deadtime_loss(vf: Any, i: Any, td: Any, f: Any) -> Any:
    """Mean body-diode loss of one switch."""
    return vf * i * td * f


@formula(
    "{s} * {vs} * {q} * {f}",
    "power",
    up="s vs q f",
    source="each hard turn-on moves the other switch's Qoss and Qrr across the supply, V Q f: "
    "TI SLPA009 (from memory)",
)
def charge_loss(s: Any, vs: Any, q: Any, f: Any) -> Any:
    """Loss of the charges that a turn-on takes out of the other switch."""
    return s * vs * q * f


@formula("{a} + {b}", "power", up="a b", source="sum of losses")
def both_losses(a: Any, b: Any) -> Any:
    """Losses that do not depend on the junction temperature."""
    return a + b


@formula(
    "({ta} + {rth} * ({pk} + {pc} * (1 - 25 * {a}))) / (1 - {rth} * {pc} * {a})",
    "temperature",
    up="ta rth pk pc",
    either="a",
    source="Tj = Ta + P Rth (ST A5973D, eq. 27) with P = pk + pc (1 + a (Tj - 25)), solved",
)
def junction(ta: Any, rth: Any, pk: Any, pc: Any, a: Any) -> Any:
    """Junction temperature at which heat made and heat carried away balance.

    `pk` are the fixed losses, `pc` the conduction loss at 25 degC. It is the limit of the
    iteration Tj <- Ta + Rth (pk + pc (1 + a (Tj - 25))), which diverges when Rth pc a >= 1.
    """
    if any_of(rth * pc * a >= 1):
        raise ImpossibleError(
            "thermal runaway: the rise of the on-resistance with temperature "
            "outruns the cooling (Rth Pcond alpha >= 1)"
        )
    return (ta + rth * (pk + pc * (1 - 25 * a))) / (1 - rth * pc * a)


@formula("{ta} + {rth} * {p}", "temperature", up="ta rth p", source="ST A5973D, eq. 27")
def heated_by(ta: Any, rth: Any, p: Any) -> Any:
    """Junction temperature: Tj = Ta + P Rth."""
    return ta + rth * p


def iterate(ta: float, rth: float, pk: float, pc: float, a: float, steps: int = 200) -> list[float]:
    """Junction temperatures of the iteration on Rds(T), from ambient until they settle."""
    path = [ta]
    for _ in range(steps):
        path.append(ta + rth * (pk + pc * (1 + a * (path[-1] - 25))))
        if abs(path[-1] - path[-2]) < 1e-9 * max(1.0, abs(path[-1])):
            break
    return path


def _show_iteration(value: Variable) -> list[str]:
    at = {name: float(arg.value_at(value.high_at)) for name, arg in value.args.items()}
    path = iterate(at["ta"], at["rth"], at["pk"], at["pc"], at["a"])
    shown = " -> ".join(f"{t:.1f}" for t in (*path[:5], path[-1]))
    return [f"iteration at the worst corner, degC: {shown} ({len(path) - 1} rounds)"]


def _edge(work: Work, way: str, side: str) -> Variable | None:
    """VDS edge plus current edge, the time in which a switch sees both."""
    letter = "on" if way == "source" else "off"
    return work.derive(
        f"t_{letter}",
        then,
        a=edge_time(work, way, side, f"t_v{letter}"),
        b=current_edge_time(work, way, side, f"t_i{letter}"),
    )


def switching(work: Work, side: str) -> Variable | None:
    """Switching loss of one switch."""
    return work.derive(
        "Psw",
        switching_loss,
        s=work.take("s", "stage:mosfet.conduction_share"),
        i=work.take("Irms", "stage:motor.current.rms"),
        f=work.take("f", "stage:pwm.frequency"),
        vs=work.take("Vs", "stage:supply.voltage"),
        ton=_edge(work, "source", side),
        toff=_edge(work, "sink", side),
    )


@formula("{rth} * {p}", "temperature", up="rth p", source="dT = Rth P: ST A5973D, eq. 27")
def heating(rth: Any, p: Any) -> Any:
    """Rise of a junction by a power."""
    return rth * p


@formula("{tmax} - {ta}", "temperature", up="tmax", down="ta", source="difference")
def room_to(tmax: Any, ta: Any) -> Any:
    """What a junction may rise above the ambient."""
    return tmax - ta


def less_sure_of_switching(work: Work, side: str) -> None:
    """The switching loss goes with the edges' times: its share of the rise that is permitted."""
    rise = work.derive(
        "dTsw", heating, rth=work.take("Rth", "stage:mosfet.rth"), p=switching(work, side)
    )
    ta = work.take("Ta", "stage:temperature.ambient")
    tmax = work.take("Tj,max", "stage:mosfet.tj_max")
    less_sure_of_part(work, rise, work.derive("dTmax", room_to, tmax=tmax, ta=ta))


def operating_junction(
    work: Work, side: str, base: Variable | None = None, rth: Variable | None = None
) -> Variable | None:
    """Junction temperature at the operating point: all losses, iterated on Rds(T).

    Above ambient through `mosfet.rth`, or above another temperature through another path.
    """
    i = work.take("Irms", "stage:motor.current.rms")
    f = work.take("f", "stage:pwm.frequency")
    share = work.take("s", "stage:mosfet.conduction_share")
    cond = work.derive(
        "Pcond", conduction_loss, s=share, i=i, r=work.take("R25", "stage:mosfet.rdson")
    )
    switch = switching(work, side)
    diode = work.derive(
        "Pd",
        deadtime_loss,
        vf=work.take("Vf", "stage:diode.vf"),
        i=i,
        td=set_deadtime(work, side),
        f=f,
    )
    fixed = work.derive("Pfix", both_losses, a=switch, b=diode)
    for symbol, charge in (
        ("Poss", output_charge(work)),
        ("Prr", recovery_charge(work, i)),
    ):
        if charge is not None:
            vs = work.take("Vs", "stage:supply.voltage")
            more = work.derive(symbol, charge_loss, s=share, vs=vs, q=charge, f=f)
            fixed = work.derive("Pfix", both_losses, a=fixed, b=more)
    return work.derive(
        "Tj",
        junction,
        ta=base or work.take("Ta", "stage:temperature.ambient"),
        rth=rth or work.take("Rth", "stage:mosfet.rth"),
        pk=fixed,
        pc=cond,
        a=work.take("alpha", "stage:mosfet.rdson_tempco"),
    )


OPERATING_USES = (
    ON_USES
    + OFF_USES
    + DEADTIME_USES
    + "stage:mosfet.conduction_share stage:motor.current.rms stage:mosfet.rdson "
    "stage:mosfet.rdson_tempco stage:supply.voltage stage:pwm.frequency stage:diode.vf "
    "stage:temperature.ambient stage:mosfet.rth stage:mosfet.coss stage:mosfet.qoss stage:mosfet.qrr "
    "stage:mosfet.test.recovery_current "
)


@sided(
    "thermal.mosfet",
    "junction temperature of the MOSFET",
    "Tj = Ta + Rth (s Irms^2 R25 (1 + alpha (Tj - 25)) + s Vs Irms (ton + toff) / 2 f "
    "+ Vf Irms td f + s Vs (Qoss + Qrr) f)",
    OPERATING_USES + "stage:mosfet.tj_max",
    CAUTION,
)
def mosfet(work: Work, side: str) -> Outcome:
    """Conduction, switching and dead-time loss at the operating point, iterated on Rds(T)."""
    value = operating_junction(work, side)
    if value is not None:
        work.extra.append(lambda: _show_iteration(value))
    less_sure_of_switching(work, side)
    ta = work.take("Ta", "stage:temperature.ambient")
    return work.at_most(value, work.take("Tj,max", "stage:mosfet.tj_max"), base=ta)


@formula(
    "{r1} * (1 - exp(-{t} / {t1})) + {r2} * (1 - exp(-{t} / {t2})) + {r3} * (1 - exp(-{t} / {t3})) "
    "+ {r4} * (1 - exp(-{t} / {t4}))",
    "thermal resistance",
    up="r1 r2 r3 r4 t",
    down="t1 t2 t3 t4",
    source="Foster ladder of up to four steps, as JEDEC JESD51-14 fits one (from memory)",
)
def transient_impedance(
    r1: Any, t1: Any, r2: Any, t2: Any, r3: Any, t3: Any, r4: Any, t4: Any, t: Any
) -> Any:
    """Transient thermal impedance of a ladder at a time."""
    steps = ((r1, t1), (r2, t2), (r3, t3), (r4, t4))
    return sum(r * (1 - decay(t / tau)) for r, tau in steps)


@formula("{t0} + {z} * {p}", "temperature", up="t0 z p", source="T = T0 + Zth P, superposition")
def heated_for(t0: Any, z: Any, p: Any) -> Any:
    """Junction temperature after a step of power."""
    return t0 + z * p


LADDER_USES = "".join(f"stage:mosfet.ladder.r{n} stage:mosfet.ladder.t{n} " for n in range(1, 5))


def ladder(work: Work) -> dict[str, Variable | None]:
    """The steps of the thermal ladder, by their symbols."""
    return {
        f"{letter}{n}": work.take(f"{letter}{n}", f"stage:mosfet.ladder.{letter}{n}")
        for n in range(1, 5)
        for letter in "rt"
    }


def hot_resistance(work: Work) -> Variable | None:
    """On-resistance at the highest junction temperature permitted."""
    return work.derive(
        "R(Tj,max)",
        on_resistance,
        r=work.take("R25", "stage:mosfet.rdson"),
        a=work.take("alpha", "stage:mosfet.rdson_tempco"),
        tj=work.take("Tj,max", "stage:mosfet.tj_max"),
    )


@sided(
    "thermal.stall",
    "junction temperature at the end of a stall",
    "Tj = Tj,operating + Zth(t) Istall^2 R25 (1 + alpha (Tj,max - 25)), Zth(t) = sum r (1 - exp(-t / tau))",
    OPERATING_USES
    + LADDER_USES
    + "stage:mosfet.tj_max stage:motor.stall.current stage:motor.stall.time",
    CAUTION,
)
def stall(work: Work, side: str) -> Outcome:
    """One switch carries the stall current for the time until the controller takes it back.

    What it lost in operation goes on beside it, which errs on the safe side.
    """
    if not work.stated("stage:motor.stall.current"):
        return None
    z = work.derive(
        "Zth", transient_impedance, **ladder(work), t=work.take("t", "stage:motor.stall.time")
    )
    limit = work.take("Tj,max", "stage:mosfet.tj_max")
    power = work.derive(
        "Pstall",
        conduction_loss,
        s=work.constant("s", 1.0, "ratio", "one switch carries the current all the time"),
        i=work.take("Istall", "stage:motor.stall.current"),
        r=hot_resistance(work),
    )
    value = work.derive("Tend", heated_for, t0=operating_junction(work, side), z=z, p=power)
    less_sure_of_switching(work, side)
    return work.at_most(value, limit, base=work.take("Ta", "stage:temperature.ambient"))


@check(
    "thermal.driver",
    "junction temperature of the driver",
    "Tj = Tboard + Rth P",
    "stage:temperature.board " + DRIVER_USES,
    CAUTION,
)
def driver(work: Work) -> Outcome:
    """The driver's junction against its warning, else its shutdown, else its maximum."""
    ta = work.take("Tboard", "stage:temperature.board")
    value = work.derive(
        "Tj", heated_by, ta=ta, rth=work.take("Rth", "chip:driver.rth"), p=driver_loss(work)
    )
    for name in ("role:temperature.warning", "role:temperature.shutdown"):
        if work.stated(name):
            return work.at_most(value, work.take("Tlimit", name), base=ta)
    return work.at_most(value, work.take("Tlimit", "chip:driver.tj_max"), base=ta)
