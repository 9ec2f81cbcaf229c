"""Dead time: needed against set, and what it costs in voltage, pulse width and diode loss."""

from __future__ import annotations

from typing import Any

from .corner import Variable, formula, larger
from .drive import (
    OFF_USES,
    SOURCE_USES,
    charge_time,
    gate_current,
    then,
    turn_off_time,
)
from .pwm import low_side_time, on_time, set_deadtime
from .registry import Outcome, check, sided
from .work import Work

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
    "{td} * {f}",
    "percent",
    up="td f",
    source="dV = Vs td f for one half-bridge; common practice, no source",
)
def voltage_error_share(td: Any, f: Any) -> Any:
    """Mean voltage lost in one half-bridge as a share of the supply."""
    return td * f


@formula("{ton} - {td}", "time", up="ton", down="td", source="complementary PWM")
def less_deadtime(ton: Any, td: Any) -> Any:
    """What the dead time leaves of an on-time."""
    return ton - td


@formula(
    "2 * {vf} * {i} * {td} * {f}",
    "power",
    up="vf i td f",
    source="two dead times a period through one diode; common practice, no source",
)
def diode_power(vf: Any, i: Any, td: Any, f: Any) -> Any:
    """Conduction loss of the body diodes of one half-bridge."""
    return 2 * vf * i * td * f


DEADTIME_USES = (
    "stage:pwm.deadtime stage:controller.clock_tolerance role:deadtime "
    "chip:deadtime_with_controller "
)


def needed_deadtime(work: Work, side: str) -> Variable | None:
    """Difference of delays, turn-off of the MOSFET, and the margin asked for."""
    if work.stated("chip:propagation.mismatch"):
        skew = work.take("t_skew", "chip:propagation.mismatch")
    else:
        skew = work.derive(
            "t_skew",
            delay_difference,
            toff=work.take("t_pd,off", "chip:propagation.off"),
            ton=work.take("t_pd,on", "chip:propagation.on"),
        )
    late = work.derive("t_late", then, a=skew, b=turn_off_time(work, side))
    return work.derive(
        "td,need", then, a=late, b=work.take("t_margin", "stage:pwm.deadtime_margin")
    )


@sided(
    "deadtime.enough",
    "dead time covers the turn-off",
    "td >= t_skew + (Qg - Qgs - Qgd) / Isink + Qgd / Isink + Qgs2 / Isink,th + t_margin",
    DEADTIME_USES + OFF_USES + "stage:pwm.deadtime_margin chip:propagation.mismatch "
    "chip:propagation.off chip:propagation.on",
    CAUTION,
)
def enough(work: Work, side: str) -> Outcome:
    """Dead time set against turn-off delay + fall + mismatch + margin."""
    return work.at_least(set_deadtime(work), needed_deadtime(work, side))


@check(
    "deadtime.voltage-error",
    "voltage error by dead time",
    "dV / Vs = td f",
    DEADTIME_USES + "stage:pwm.frequency stage:limits.voltage_error",
)
def voltage_error(work: Work) -> Outcome:
    """Share of the supply that the dead time takes from the mean output voltage."""
    value = work.derive(
        "dV/Vs", voltage_error_share, td=set_deadtime(work), f=work.take("f", "stage:pwm.frequency")
    )
    return work.at_most(value, work.take("limit", "stage:limits.voltage_error"))


@check(
    "deadtime.duty-min",
    "shortest high-side pulse turns the switch on fully",
    "Dmin / f - td >= Qg / Isource",
    DEADTIME_USES
    + SOURCE_USES.replace("{side}", "high")
    + "stage:pwm.duty.min stage:pwm.frequency stage:mosfet.qg",
)
def duty_min(work: Work) -> Outcome:
    """What the dead time leaves of the shortest pulse against the time to charge the gate."""
    on = work.derive(
        "ton",
        on_time,
        d=work.take("Dmin", "stage:pwm.duty.min"),
        f=work.take("f", "stage:pwm.frequency"),
    )
    value = work.derive("t_pulse", less_deadtime, ton=on, td=set_deadtime(work))
    needed = work.derive(
        "t_full",
        charge_time,
        q=work.take("Qg", "stage:mosfet.qg"),
        i=gate_current(work, "source", "high"),
    )
    return work.at_least(value, needed)


@check(
    "deadtime.duty-max",
    "shortest low-side pulse turns the switch on fully",
    "(1 - Dmax) / f - td >= Qg / Isource",
    DEADTIME_USES
    + SOURCE_USES.replace("{side}", "low")
    + "stage:pwm.duty.max stage:pwm.frequency stage:mosfet.qg",
)
def duty_max(work: Work) -> Outcome:
    """The same for the low side at the highest duty; at 100 % there is no such pulse."""
    duty = work.take("Dmax", "stage:pwm.duty.max")
    if duty is not None and isinstance(duty.low, float) and duty.low >= 1:
        return None
    value = work.derive(
        "t_pulse",
        low_side_time,
        d=duty,
        f=work.take("f", "stage:pwm.frequency"),
        td=set_deadtime(work),
    )
    needed = work.derive(
        "t_full",
        charge_time,
        q=work.take("Qg", "stage:mosfet.qg"),
        i=gate_current(work, "source", "low"),
    )
    return work.at_least(value, needed)


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
