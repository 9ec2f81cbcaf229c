"""Heat over time: a stall, repeated pulses and a motor that is shorted, on the thermal ladder of a MOSFET.

What is lost at their currents is what `thermal` works out for operation, at another current.
"""

from __future__ import annotations

from typing import Any

from .corner import Variable, decay, formula, larger, rise
from .motor import BRAKING_USES, shorted_current
from .registry import Outcome, check, sided
from .thermal import (
    CAUTION,
    OPERATING_USES,
    conduction_loss,
    junction,
    less_sure_of_switching,
    losses,
    operating_junction,
)
from .work import Work


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


@formula(
    "max(0, {rth} - ({r1} + {r2} + {r3} + {r4}))",
    "thermal resistance",
    up="rth",
    down="r1 r2 r3 r4",
    source="at a steady power all steps together are the way to the air; circuit theory",
)
def unstated_steps(rth: Any, r1: Any, r2: Any, r3: Any, r4: Any) -> Any:
    """What a ladder leaves of the way from the junction to the air."""
    return larger(0.0, rth - (r1 + r2 + r3 + r4))


@formula(
    "{z} + {r}",
    "thermal resistance",
    up="z r",
    source="a step of unknown time constant is at most its whole resistance",
)
def at_most_impedance(z: Any, r: Any) -> Any:
    """Transient impedance of the steps, and what they leave of the way to the air at its most."""
    return z + r


@formula(
    "{pc} * (1 + {a} * ({tj} - 25)) + {pk}",
    "power",
    up="pc pk",
    either="a tj",
    source="sum of losses, the on-resistance at a junction temperature; common practice, no source",
)
def hot_power(pc: Any, pk: Any, a: Any, tj: Any) -> Any:
    """Loss with the on-resistance at `tj`; `pc` is the conduction loss at 25 degC."""
    return pc * (1 + a * (tj - 25)) + pk


@formula("{t0} + {z} * {p}", "temperature", up="t0 z p", source="T = T0 + Zth P, superposition")
def heated_for(t0: Any, z: Any, p: Any) -> Any:
    """Junction temperature after a step of power."""
    return t0 + z * p


@formula(
    "{t0} + {z} * ({p} - ({t0} - {ta}) / {rth})",
    "temperature",
    up="ta rth p",
    either="t0 z",
    source="superposition: the power steps from (T0 - Ta) / Rth, which made T0, to another one",
)
def heated_from(t0: Any, z: Any, p: Any, ta: Any, rth: Any) -> Any:
    """Junction temperature after a step from the power of operation to another power."""
    return t0 + z * (p - (t0 - ta) / rth)


LADDER_USES = (
    "".join(f"stage:mosfet.ladder.r{n} stage:mosfet.ladder.t{n} " for n in range(1, 5))
    + "stage:mosfet.rth "
)
REST = (
    "what the steps of mosfet.ladder leave of mosfet.rth counts whole from the first moment, as its "
    "time constant is not known: too warm for a short time"
)


def ladder(work: Work) -> dict[str, Variable | None]:
    """The steps of the thermal ladder, by their symbols; a resistance without its time constant is missing it."""
    for n in range(1, 5):
        time = f"stage:mosfet.ladder.t{n}"
        if f"stage:mosfet.ladder.r{n}" in work.inputs and time not in work.inputs:
            work.missing[time] = None
    return {
        f"{letter}{n}": work.take(f"{letter}{n}", f"stage:mosfet.ladder.{letter}{n}")
        for n in range(1, 5)
        for letter in "rt"
    }


def _whole(work: Work, z: Variable | None) -> Variable | None:
    """The impedance of the steps, and what they leave of the way to the air."""
    steps = {name: r for name, r in ladder(work).items() if name[0] == "r"}
    rest = work.derive("Rrest", unstated_steps, rth=work.take("Rth", "stage:mosfet.rth"), **steps)
    if rest is not None and isinstance(rest.high, float) and rest.high > 0:
        work.remark(REST)
    return work.derive("Zth", at_most_impedance, z=z, r=rest)


AT_MOST = (
    "an upper bound: the switch is taken to conduct all the time, to switch the current in every period too, and to have the "
    "on-resistance of its highest junction temperature throughout; a blocked motor at half the duty heats it by about half "
    "of the conduction loss"
)


def _losses(
    work: Work, side: str, z: Variable | None, symbol: str, current: str
) -> Variable | None:
    """Loss of one switch that carries a current all the time and switches it in every period."""
    all_of_it = work.constant("s", 1.0, "ratio", "one switch carries the current all the time")
    work.remark(AT_MOST)
    names = ("stage:motor.current.rms", "stage:motor.current.peak")
    with work.with_instead(dict.fromkeys(names, (symbol, current))):
        cond, fixed = losses(work, side, all_of_it)
        less_sure_of_switching(work, side, z, all_of_it)
    return work.derive(
        "P",
        hot_power,
        pc=cond,
        pk=fixed,
        a=work.take("alpha", "stage:mosfet.rdson_tempco"),
        tj=work.take("Tj,max", "stage:mosfet.tj_max"),
    )


_POWER = "P = I^2 R25 (1 + alpha (Tj,max - 25)) + Vs I (ton + toff) / 2 f + Vf I td f + Vs (Qoss + Qrr) f"
_USES = OPERATING_USES + LADDER_USES + "stage:mosfet.tj_max "


@sided(
    "thermal.stall",
    "junction temperature at the end of a stall, at most",
    "Tj = Tj,operating + Zth(t) (P - (Tj,operating - Ta) / Rth), "
    "Zth(t) = sum r (1 - exp(-t / tau)) + max(0, Rth - sum r), " + _POWER,
    _USES + "stage:motor.stall.current stage:motor.stall.time",
    CAUTION,
)
def stall(work: Work, side: str) -> Outcome:
    """One switch carries the stall current for the time until the controller takes it back.

    It is taken to conduct all the time and to switch the current in every period too, which errs on
    the safe side. Without a ladder the whole way to the air counts at once.
    """
    if not work.stated("stage:motor.stall.current"):
        return None
    steps = work.derive(
        "Zsteps", transient_impedance, **ladder(work), t=work.take("t", "stage:motor.stall.time")
    )
    z = _whole(work, steps)
    ta = work.take("Ta", "stage:temperature.ambient")
    value = work.derive(
        "Tend",
        heated_from,
        t0=operating_junction(work, side),
        z=z,
        p=_losses(work, side, z, "Istall", "stage:motor.stall.current"),
        ta=ta,
        rth=work.take("Rth", "stage:mosfet.rth"),
    )
    return work.at_most(value, work.take("Tj,max", "stage:mosfet.tj_max"), base=ta)


@formula(
    " + ".join(
        f"{{r{n}}} * (1 - exp(-{{t}} / {{t{n}}})) / (1 - exp(-{{tp}} / {{t{n}}}))"
        for n in range(1, 5)
    ),
    "thermal resistance",
    up="r1 r2 r3 r4 t",
    down="tp t1 t2 t3 t4",
    source="sum of the responses of a Foster ladder to all pulses before: geometric series; circuit theory",
)
def pulsed_impedance(
    r1: Any, t1: Any, r2: Any, t2: Any, r3: Any, t3: Any, r4: Any, t4: Any, t: Any, tp: Any
) -> Any:
    """Peak of the junction over ambient for each watt of pulses of length `t` repeated each `tp`."""
    return sum(
        r * rise(t / tau) / rise(tp / tau) for r, tau in ((r1, t1), (r2, t2), (r3, t3), (r4, t4))
    )


@sided(
    "thermal.pulses",
    "junction temperature at the peak of repeated current pulses, at most",
    "Tj = Tj,operating + Zth P, Zth = sum r (1 - exp(-t / tau)) / (1 - exp(-T / tau)) "
    "+ max(0, Rth - sum r), " + _POWER,
    _USES + "stage:motor.pulse.current stage:motor.pulse.time stage:motor.pulse.period",
    CAUTION,
)
def pulses(work: Work, side: str) -> Outcome:
    """One switch carries and switches each pulse alone; what it loses in operation goes on beside, which is safe."""
    if not work.stated("stage:motor.pulse.current"):
        return None
    steps = work.derive(
        "Zsteps",
        pulsed_impedance,
        **ladder(work),
        t=work.take("t", "stage:motor.pulse.time"),
        tp=work.take("T", "stage:motor.pulse.period"),
    )
    z = _whole(work, steps)
    value = work.derive(
        "Tpeak",
        heated_for,
        t0=operating_junction(work, side),
        z=z,
        p=_losses(work, side, z, "Ipulse", "stage:motor.pulse.current"),
    )
    ta = work.take("Ta", "stage:temperature.ambient")
    return work.at_most(value, work.take("Tj,max", "stage:mosfet.tj_max"), base=ta)


BRAKING = (
    CAUTION
    + " The current that starts with a peak of up to twice the steady one, for some L / R, comes on top."
)


def _braked(work: Work) -> tuple[Variable | None, Variable | None, Variable | None]:
    """(current, conduction loss at 25 degC, no other loss) of a switch that shorts a phase."""
    both = work.constant(
        "s", 1.0, "ratio", "both directions of the current pass the shorting switch"
    )
    current = shorted_current(work)
    r = work.take("R25", "stage:mosfet.rdson")
    cond = work.derive("Pcond", conduction_loss, s=both, i=current, r=r)
    return current, cond, work.constant("Pfix", 0.0, "power", "nothing switches")


@check(
    "thermal.short-braking",
    "junction temperature while the bridge shorts the phases for good",
    "Tj = Ta + Rth I^2 R25 (1 + alpha (Tj - 25)), I = E / sqrt(6) / sqrt(R^2 + (2 pi f L)^2)",
    BRAKING_USES + "stage:mosfet.rdson stage:mosfet.rdson_tempco stage:mosfet.rth "
    "stage:temperature.ambient stage:mosfet.tj_max",
    BRAKING,
)
def short_braking(work: Work) -> Outcome:
    """A motor that something goes on driving at its highest speed, each phase shorted by one switch."""
    if not work.stated("stage:limits.braking_current"):
        return None
    _, cond, fixed = _braked(work)
    ta = work.take("Ta", "stage:temperature.ambient")
    value = work.derive(
        "Tj",
        junction,
        ta=ta,
        rth=work.take("Rth", "stage:mosfet.rth"),
        pk=fixed,
        pc=cond,
        a=work.take("alpha", "stage:mosfet.rdson_tempco"),
    )
    return work.at_most(value, work.take("Tj,max", "stage:mosfet.tj_max"), base=ta)


@formula(
    "{w} / (3 * {i}^2 * ({r} + {ron}))",
    "time",
    up="w",
    down="i r ron",
    source="energy of the turning masses over the heat of three phases and their switches: the shortest time "
    "in which it becomes heat; conservation of energy",
)
def braking_time(w: Any, i: Any, r: Any, ron: Any) -> Any:
    """Time in which the current at the highest speed would use up the energy of the turning masses."""
    return w / (3 * i * i * (r + ron))


@check(
    "thermal.short-braking-decay",
    "junction temperature until the shorted motor stands",
    "Tj = Tj,operating + Zth(t) (P - (Tj,operating - Ta) / Rth), P = I^2 R25 (1 + alpha (Tj,max - 25)), "
    "t = W / (3 I^2 (R + R25)), I = E / sqrt(6) / sqrt(R^2 + (2 pi f L)^2)",
    BRAKING_USES
    + OPERATING_USES.replace("{side}", "low")
    + LADDER_USES
    + "stage:motor.kinetic_energy stage:mosfet.tj_max",
    BRAKING,
)
def short_braking_decay(work: Work) -> Outcome:
    """The energy of the turning masses becomes heat, in each switch its share of it.

    A transient impedance rises ever more slowly, so no course of the braking that spends this energy, at
    no more than its first power, heats more than that power held for as long as the energy lasts.
    """
    if not work.stated("stage:limits.braking_current") or not work.stated(
        "stage:motor.kinetic_energy"
    ):
        return None
    current, cond, fixed = _braked(work)
    time = work.derive(
        "t",
        braking_time,
        w=work.take("W", "stage:motor.kinetic_energy"),
        i=current,
        r=work.take("R", "stage:motor.phase_resistance"),
        ron=work.take("R25", "stage:mosfet.rdson"),
    )
    ta, tmax = (
        work.take("Ta", "stage:temperature.ambient"),
        work.take("Tj,max", "stage:mosfet.tj_max"),
    )
    alpha = work.take("alpha", "stage:mosfet.rdson_tempco")
    value = work.derive(
        "Tend",
        heated_from,
        t0=operating_junction(work, "low"),
        z=_whole(work, work.derive("Zsteps", transient_impedance, **ladder(work), t=time)),
        p=work.derive("P", hot_power, pc=cond, pk=fixed, a=alpha, tj=tmax),
        ta=ta,
        rth=work.take("Rth", "stage:mosfet.rth"),
    )
    less_sure_of_switching(work, "low")
    return work.at_most(value, tmax, base=ta)
