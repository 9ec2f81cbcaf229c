"""Current sense, second half: settling in the window, the shunt itself, the comparator.

The checks carry the subjects `sense` and `overcurrent`.
"""

from __future__ import annotations

from typing import Any

from .corner import Variable, formula, larger
from .currents import SOURCE_USES, rise_current
from .device import SPIKE_TIME_ERROR, less_sure_of_part
from .edges import ON_USES, current_edge_time, edge_time, then, turn_on_time
from .pwm import DEADTIME_USES, gate_starts, own_deadtime
from .registry import Outcome, check
from .sense import (
    CHAIN,
    HEAT,
    SHUNT_CURRENT,
    SIGNS,
    ZERO,
    gain_band,
    output_at_zero,
    shunt_current,
    shunt_temperature,
)
from .slopes import SLOPE_USES, steepest_current
from .work import Work


@formula(
    "{i}^2 * {r}",
    "power",
    up="i r",
    source="Joule's law; TI SLVSDY6A, sense-amplifier example (2 W at 28.3 A and 2.5 mohm)",
)
def shunt_power(i: Any, r: Any) -> Any:
    """Power in the shunt."""
    return i * i * r


@formula("{a} * ({ts} - 25)", "percent", either="a ts", source="definition of the coefficient")
def drift(a: Any, ts: Any) -> Any:
    """Relative change of the shunt from 25 degC."""
    return a * (ts - 25)


@formula(
    "(1 - {d}) / (2 * {f}) - {td}",
    "time",
    down="d f td",
    source="centre-aligned PWM; common practice, no source",
)
def half_window(d: Any, f: Any, td: Any) -> Any:
    """Low-side turn-on to the middle of the low-side phase."""
    return (1 - d) / (2 * f) - td


@formula("(1 - {d}) / {f} - {td}", "time", down="d f td", source="complementary PWM")
def whole_window(d: Any, f: Any, td: Any) -> Any:
    """Low-side on-time at a duty cycle of the high side."""
    return (1 - d) / f - td


@formula("max({a}, {b})", "time", up="a b", source="the longer of two needs")
def longest(a: Any, b: Any) -> Any:
    """Settling before the middle, or sampling after it."""
    return larger(a, b)


@formula("{v} / {r}", "current", up="v", down="r", source="Ohm's law")
def shunt_trip(v: Any, r: Any) -> Any:
    """Current at a comparator threshold across the shunt."""
    return v / r


@formula(
    "({v} - {vzero}) / ({g} * {r})", "current", up="v", down="vzero", either="g r", source=SIGNS
)
def output_trip(v: Any, vzero: Any, g: Any, r: Any) -> Any:
    """Current at a comparator threshold at the amplifier's output."""
    return (v - vzero) / (g * r)


@formula(
    "1/2 + 0.866 * ({d} - 1/2)",
    "percent",
    up="d",
    source="two equal phases of a centred space vector reach cos(30 degrees) of the highest duty; "
    "space-vector geometry, common practice, no source",
)
def second_duty(d: Any) -> Any:
    """Largest duty of the second-highest phase: the two lower phases are always measurable."""
    return 0.5 + 0.866 * (d - 0.5)


def sampled_duty(work: Work) -> Variable | None:
    """Highest duty at which a phase has to be sampled."""
    duty = work.take("Dmax", "stage:pwm.duty.max")
    three = work.choice("stage:shunt.arrangement") == "one per phase"
    if work.choice("stage:adc.reconstruction") == "two of three" and three:
        return work.derive("D2", second_duty, d=duty)
    return duty  # of two shunts both are read in every period


def sample_window(work: Work, duty: Variable | None = None) -> Variable | None:
    """Low-side input edge to the sample (trigger at the centre) or to the end of its on-time.

    At the highest duty that is sampled, or at the one given.
    """
    at_centre = work.choice("stage:adc.trigger") == "centre"
    return work.derive(
        "t_window",
        half_window if at_centre else whole_window,
        d=sampled_duty(work) if duty is None else duty,
        f=work.take("f", "stage:pwm.frequency"),
        td=own_deadtime(work),
    )


def settled(work: Work) -> Variable | None:
    """Low-side input edge until the amplifier shows the shunt's current.

    With the current into the bridge the shunt carries it only after the low side has turned on.
    """
    edge = work.derive("t_edge", then, a=gate_starts(work), b=turn_on_time(work, "low"))
    return work.derive("t_settled", then, a=edge, b=quiet_time(work))


def quiet_time(work: Work) -> Variable | None:
    """Blanking and settling of the amplifier."""
    quiet = work.take("t_settle", "chip:sense.settling")
    blank = work.maybe("t_blank", "role:sense.blanking")
    return quiet if blank is None else work.derive("t_quiet", then, a=blank, b=quiet)


SETTLING_USES = (
    DEADTIME_USES
    + ON_USES.replace("{side}", "low")
    + "stage:pwm.duty.max stage:pwm.frequency stage:adc.trigger stage:adc.reconstruction "
    "stage:shunt.arrangement stage:adc.sampling chip:sense.settling role:sense.blanking chip:propagation.on "
)


@check(
    "sense.settling",
    "amplifier settles in the low-side window at the highest duty",
    "centre: (1 - Dmax) / (2 f) - td,ctl >= max(t_settled, t_sample); end: (1 - Dmax) / f - td,ctl "
    ">= t_settled + t_sample; t_settled = td,add + t_pd,on + t_on + t_blank + t_settle",
    SETTLING_USES,
)
def settling(work: Work) -> Outcome:
    """Time from the low-side input edge to the sample against edges, settling and sampling.

    The chip's own dead time counts where it is longer than the controller's.
    """
    if work.choice("stage:shunt.arrangement") == "one in the DC link":
        return None  # sense.one-shunt looks at its own windows
    duty = sampled_duty(work)
    if duty is not None and isinstance(duty.high, float) and duty.high >= 1:
        return work.refuse(
            "at 100 % duty the low side is never on and its shunt is never read; where the "
            "controller takes this current from the other two phases, each with a shunt of its own, "
            "state adc.reconstruction: two of three"
        )
    need = sampling_need(work)
    less_sure_of_part(work, turn_on_time(work, "low"), need)
    return work.at_least(sample_window(work), need)


def sampling_need(work: Work) -> Variable | None:
    """Low-side input edge until the sample is taken, at the earliest."""
    at_centre = work.choice("stage:adc.trigger") == "centre"
    return work.derive(
        "t_need",
        longest if at_centre else then,
        a=settled(work),
        b=work.take("t_sample", "stage:adc.sampling"),
    )


@check(
    "sense.shunt-power",
    "power in the shunt",
    "P = Irms^2 R; in the DC link Irms sqrt(2 M (sqrt(3) / (4 pi) + cos^2 phi sqrt(3) / pi)) in place of Irms",
    SHUNT_CURRENT + "stage:shunt.resistance stage:shunt.power",
)
def dissipation(work: Work) -> Outcome:
    """Rms current of one shunt, of a low side as if it carried its phase's all the time, against its rating."""
    value = work.derive(
        "P",
        shunt_power,
        i=shunt_current(work),
        r=work.take("R", "stage:shunt.resistance"),
    )
    return work.at_most(value, work.take("rating", "stage:shunt.power"))


@check(
    "sense.shunt-drift",
    "drift of the shunt over temperature",
    "dR / R = a (Ts - 25), Ts = Ta + Irms^2 R Rth, Irms as in sense.shunt-power",
    HEAT + "stage:shunt.tempco stage:limits.shunt_drift",
)
def shunt_drift(work: Work) -> Outcome:
    """Coefficient times temperature difference, self-heating included."""
    value = work.derive(
        "dR/R", drift, a=work.take("a", "stage:shunt.tempco"), ts=shunt_temperature(work)
    )
    limit = work.take("limit", "stage:limits.shunt_drift")
    return work.within(value, work.derive("-limit", opposite_share, x=limit), limit)


@formula("-{x}", "percent", down="x", source="sign")
def opposite_share(x: Any) -> Any:
    """The same limit for the other sign."""
    return -x


def comparator_trip(work: Work) -> Variable | None:
    """Band of the current at which the overcurrent comparator trips; None (and missing) where it is off."""
    if not work.switched_off("overcurrent.enable"):
        work.switched_off("overcurrent.mode")
    where = work.choice("chip:overcurrent.measured_at")
    level = work.take("Voc", "role:overcurrent.threshold")
    r = work.take("R", "stage:shunt.resistance")
    if where == "output":
        return work.derive(
            "Ioc", output_trip, v=level, vzero=output_at_zero(work), g=gain_band(work), r=r
        )
    return work.derive("Ioc", shunt_trip, v=level, r=r)


_OC = (
    "role:overcurrent.enable role:overcurrent.mode chip:overcurrent.measured_at role:overcurrent.threshold "
    + CHAIN
    + ZERO
)


@check(
    "overcurrent.no-false-trip",
    "overcurrent comparator stays silent at the peak current",
    "Ioc = Voc / R, or (Voc - Vzero) / (G R)",
    _OC + "stage:motor.current.peak",
)
def overcurrent_silent(work: Work) -> Outcome:
    """Lowest trip current of the comparator against the peak current."""
    return work.at_least(comparator_trip(work), work.take("Ipk", "stage:motor.current.peak"))


@check(
    "overcurrent.protects",
    "overcurrent comparator trips below the MOSFET's limit",
    "Ioc = Voc / R, or (Voc - Vzero) / (G R)",
    _OC + "stage:mosfet.pulse_current",
    watches="overcurrent.threshold",
)
def overcurrent_protects(work: Work) -> Outcome:
    """Highest trip current of the comparator against the pulse current survived.

    A comparator that is off or only reports protects nothing, and fails.
    """
    verdict = work.at_most(comparator_trip(work), work.take("Imax", "stage:mosfet.pulse_current"))
    switches = ("overcurrent.enable", "overcurrent.mode")
    return work.protected(verdict, "overcurrent.threshold", *switches, acts="overcurrent.mode")


@formula("{ls} * {didt}", "voltage", up="ls didt", source="V = L di/dt")
def spike(ls: Any, didt: Any) -> Any:
    """What the shunt's inductance adds while the current rises."""
    return ls * didt


@check(
    "overcurrent.outlasts-spike",
    "overcurrent filter outlasts the spike of the shunt's inductance",
    "t_filter >= t_id + t_vds, in which L di/dt stands at the shunt: where the loop's inductance takes "
    "of VDS, the current edge reaches into the voltage edge",
    "role:overcurrent.enable role:overcurrent.mode role:overcurrent.filter stage:shunt.inductance "
    + SLOPE_USES
    + SOURCE_USES.replace("{side}", "low"),
    model_error=SPIKE_TIME_ERROR,
)
def outlasts_spike(work: Work) -> Outcome:
    """The comparator must not take the inductive spike of a turn-on for a current."""
    if not work.stated("stage:shunt.inductance"):
        return None
    if not work.switched_off("overcurrent.enable"):
        work.switched_off("overcurrent.mode")
    high = work.derive(
        "Vspike",
        spike,
        ls=work.take("Lshunt", "stage:shunt.inductance"),
        didt=steepest_current(work, rise_current(work, "low")),
    )
    work.extra += [high] if high is not None else []
    edge = work.derive(
        "t_edge",
        then,
        a=current_edge_time(work, "source", "low", "t_id"),
        b=edge_time(work, "source", "low", "t_vds"),
    )
    return work.at_least(work.take("t_filter", "role:overcurrent.filter"), edge)
