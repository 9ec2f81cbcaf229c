"""Current sense, third part: one shunt for all phases, the amplifier's slew rate and common mode.

The duties of a centred space vector of modulation index M lie M (3 / 4) and 0 apart at the boundary of
a sector, sqrt(3) / 4 M and sqrt(3) / 4 M in its middle. A single shunt shows one phase in each of the two
active states, so both have to last as long as a sample needs; where one does not, the controller shifts
an edge in one half of the period and takes the shift back in the other.
"""

from __future__ import annotations

import math
from typing import Any

from ..quantity import Band
from .corner import Variable, formula, larger
from .currents import SOURCE_USES, rise_current
from .device import less_sure_of_part
from .edges import then, turn_on_time
from .pwm import own_deadtime
from .registry import Outcome, check
from .sense import CHAIN, gain_band
from .shunt import SETTLING_USES, sample_window, settled, spike
from .slopes import SLOPE_USES, steepest_current
from .work import Work

VECTOR = "space-vector geometry, common practice, no source"
_SIDE, _BOTH = 0.75, math.sqrt(3) / 2


@formula(
    "max({tmin} + max({tmin}, 3 / 4 * {m} * {h}), sqrt(3) / 2 * {m} * {h})",
    "time",
    up="tmin m h",
    source=VECTOR,
)
def both_states(tmin: Any, m: Any, h: Any) -> Any:
    """Longest time that both active states take in half a period, each at least `tmin` long.

    While one has to be lengthened the other is longest at the sector's boundary; else both together
    are longest in its middle.
    """
    return larger(tmin + larger(tmin, _SIDE * m * h), _BOTH * m * h)


@formula("1 / (2 * {f})", "time", down="f", source="definition of the period")
def half_period(f: Any) -> Any:
    """Half a PWM period."""
    return 1 / (2 * f)


@check(
    "sense.one-shunt",
    "both active states long enough for a single shunt",
    "max(t_min + max(t_min, 3/4 M / (2 f)), sqrt(3)/2 M / (2 f)) <= 1 / (2 f), "
    "t_min = td + t_settled + t_sample",
    SETTLING_USES + "stage:shunt.arrangement stage:motor.modulation",
)
def one_shunt(work: Work) -> Outcome:
    """A shunt in the DC link with edges shifted where an active state is too short.

    Each state shows its phase only after the dead time, the edge and the amplifier's settling.
    """
    if work.choice("stage:shunt.arrangement") != "one in the DC link":
        return None
    if work.choice("stage:adc.reconstruction") != "shifted edges":
        return work.refuse(
            "at each boundary of a sector, and at low modulation always, an active state is too short "
            "to be read; where the controller shifts an edge and takes the shift back, state "
            "adc.reconstruction: shifted edges"
        )
    ready = work.derive("t_ready", then, a=own_deadtime(work), b=settled(work))
    shortest = work.derive("t_min", then, a=ready, b=work.take("t_sample", "stage:adc.sampling"))
    # each of both states waits for the edge, in as good as all of which both are as short as may be
    less_sure_of_part(work, turn_on_time(work, "low"), shortest)
    half = work.derive("T/2", half_period, f=work.take("f", "stage:pwm.frequency"))
    value = work.derive(
        "t_states", both_states, tmin=shortest, m=work.take("M", "stage:motor.modulation"), h=half
    )
    return work.at_most(value, half)


@formula(
    "{g} * {r} * {i} / {sr}",
    "time",
    up="g r i",
    down="sr",
    source="t = dV / SR; definition of the slew rate",
)
def slewing(g: Any, r: Any, i: Any, sr: Any) -> Any:
    """Time in which the output moves from zero current to a current at its slew rate."""
    return g * r * i / sr


@check(
    "sense.slew",
    "amplifier's output reaches the peak current within the window",
    "t_window >= td,add + t_pd,on + t_on + t_blank + G R Ipk / SR + t_settle",
    SETTLING_USES + CHAIN + "chip:sense.slew_rate stage:motor.current.peak",
)
def slew(work: Work) -> Outcome:
    """Each time the shunt takes over the current the output moves by all of it; then it settles."""
    if not work.stated("chip:sense.slew_rate"):
        return None
    time = work.derive(
        "t_slew",
        slewing,
        g=gain_band(work),
        r=work.take("R", "stage:shunt.resistance"),
        i=work.take("Ipk", "stage:motor.current.peak"),
        sr=work.take("SR", "chip:sense.slew_rate"),
    )
    need = work.derive("t_need", then, a=settled(work), b=time)
    less_sure_of_part(work, turn_on_time(work, "low"), need)
    return work.at_least(sample_window(work), need)


@formula(
    "{x} * ({i} * {r} + {v})",
    "voltage",
    either="x i r v",
    source="Ohm's law and V = L di/dt at the shunt",
)
def at_inputs(x: Any, i: Any, r: Any, v: Any) -> Any:
    """Voltage at the amplifier's inputs; `x` runs from the peak of one sign to that of the other."""
    return x * (i * r + v)


@check(
    "sense.common-mode",
    "amplifier's inputs within their common-mode range",
    "+-(Ipk R + Lshunt di/dt) within the range",
    "chip:sense.common_mode stage:motor.current.peak stage:shunt.resistance stage:shunt.inductance "
    + SLOPE_USES
    + SOURCE_USES.replace("{side}", "low"),
)
def common_mode(work: Work) -> Outcome:
    """What stands at a shunt on ground for either sign of the current, its inductive spike included."""
    band = work.inputs.find("chip:sense.common_mode", optional=True)
    work.stated("chip:sense.common_mode")
    if band is None or not isinstance(band.value, Band):
        return None
    spike_at: Variable | None = work.constant("Vspike", 0.0, "voltage", "no inductance stated")
    if work.stated("stage:shunt.inductance"):
        spike_at = work.derive(
            "Vspike",
            spike,
            ls=work.take("Lshunt", "stage:shunt.inductance"),
            didt=steepest_current(work, rise_current(work, "low")),
        )
    value = work.derive(
        "Vin",
        at_inputs,
        x=work.spread("x", -1.0, 1.0, "ratio", "either sign of the current, up to its peak"),
        i=work.take("Ipk", "stage:motor.current.peak"),
        r=work.take("R", "stage:shunt.resistance"),
        v=spike_at,
    )
    lower, upper = (
        Variable(name, float(v), float(v), float(v), "voltage", origin=band)
        for name, v in (("Vcm,min", band.value.low), ("Vcm,max", band.value.high))
    )
    return work.within(value, lower, upper)
