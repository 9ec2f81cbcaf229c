"""Thermal: losses of the MOSFETs with Rds(T) iterated, and the driver's own temperature."""

from __future__ import annotations

from typing import Any

from .corner import Variable, any_of, formula
from .device import less_sure_of_part, output_charge, recovery_charge
from .edges import OFF_USES, ON_USES, current_edge_time, edge_time, then
from .gatesupply import DRIVER_USES, driver_loss
from .inputs import ImpossibleError
from .pwm import DEADTIME_USES, set_deadtime
from .registry import Outcome, check, sided
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


def _share(work: Work) -> Variable | None:
    return work.take("s", "stage:mosfet.conduction_share")


def switching(work: Work, side: str, share: Variable | None = None) -> Variable | None:
    """Switching loss of one switch; without a share of the time, that of operation."""
    return work.derive(
        "Psw",
        switching_loss,
        s=share or _share(work),
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


def less_sure_of_switching(
    work: Work, side: str, z: Variable | None = None, share: Variable | None = None
) -> None:
    """The switching loss goes with the edges' times: its share of the rise that is permitted.

    `z` and `share` as in what it is lost for, without them those of operation.
    """
    rth = z or work.take("Rth", "stage:mosfet.rth")
    rise = work.derive("dTsw", heating, rth=rth, p=switching(work, side, share))
    ta = work.take("Ta", "stage:temperature.ambient")
    tmax = work.take("Tj,max", "stage:mosfet.tj_max")
    less_sure_of_part(work, rise, work.derive("dTmax", room_to, tmax=tmax, ta=ta))


def losses(
    work: Work, side: str, share: Variable | None = None
) -> tuple[Variable | None, Variable | None]:
    """(conduction loss at 25 degC, what does not depend on the junction) of one switch.

    At the current of operation, or at another one inside of `Work.with_instead`.
    """
    i = work.take("Irms", "stage:motor.current.rms")
    f = work.take("f", "stage:pwm.frequency")
    share = share or _share(work)
    cond = work.derive(
        "Pcond", conduction_loss, s=share, i=i, r=work.take("R25", "stage:mosfet.rdson")
    )
    diode = work.derive(
        "Pd",
        deadtime_loss,
        vf=work.take("Vf", "stage:diode.vf"),
        i=i,
        td=set_deadtime(work, side),
        f=f,
    )
    fixed = work.derive("Pfix", both_losses, a=switching(work, side, share), b=diode)
    for symbol, charge in (
        ("Poss", output_charge(work)),
        ("Prr", recovery_charge(work, i)),
    ):
        if charge is not None:
            vs = work.take("Vs", "stage:supply.voltage")
            more = work.derive(symbol, charge_loss, s=share, vs=vs, q=charge, f=f)
            fixed = work.derive("Pfix", both_losses, a=fixed, b=more)
    return cond, fixed


def operating_junction(
    work: Work, side: str, base: Variable | None = None, rth: Variable | None = None
) -> Variable | None:
    """Junction temperature at the operating point: all losses, iterated on Rds(T).

    Above ambient through `mosfet.rth`, or above another temperature through another path.
    """
    cond, fixed = losses(work, side)
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


@sided(
    "thermal.stated-range",
    "junction at the operating point within the temperatures stated as met",
    "Tj of thermal.mosfet <= the highest of mosfet.temperature",
    OPERATING_USES + "stage:mosfet.temperature",
    CAUTION,
)
def stated_range(work: Work, side: str) -> Outcome:
    """Trip current, threshold and short circuits are worked at the temperatures stated: they must cover the own one."""
    if not work.stated("stage:mosfet.temperature"):
        return None
    value = operating_junction(work, side)
    met = work.take("T0", "stage:mosfet.temperature")
    limit = work.highest("T0,max", met, "the highest one stated")
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
