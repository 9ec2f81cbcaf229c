"""DC link: its capacitor's ripple and heat, its precharge and discharge, what braking returns to it."""

from __future__ import annotations

import math
from typing import Any

from .corner import Variable, any_of, decay, formula, larger, log
from .device import RIPPLE_ERROR
from .inputs import ImpossibleError
from .ratings import RATINGS, weakest
from .registry import Outcome, check
from .work import Work

CAUTION = "Harmonics of the source, resonance with its wiring and the ageing of the capacitor come on top."
_A, _B = math.sqrt(3) / (4 * math.pi), math.sqrt(3) / math.pi


@formula(
    "{i} * sqrt(2 * {m} * (sqrt(3) / (4 * pi) + {pf}^2 * (sqrt(3) / pi - 9 * {m} / 16)))",
    "current",
    up="i",
    either="pf",
    free="m",
    source="J. W. Kolar, S. D. Round, IEE Proc. Electr. Power Appl. 153 (2006): rms current of the "
    "DC-link capacitor of a sine-modulated bridge (from memory)",
)
def capacitor_current(i: Any, m: Any, pf: Any) -> Any:
    """Rms current of the capacitor for a phase current, a modulation index and a power factor."""
    if any_of(m > 2 / math.sqrt(3)):
        raise ImpossibleError("a modulation index above 2 / sqrt(3) is no sine any more")
    return i * (2 * m * (_A + pf * pf * (_B - 9 * m / 16))) ** 0.5


@formula(
    "{i} * sqrt(2 * {m} * (sqrt(3) / (4 * pi) + {pf}^2 * sqrt(3) / pi))",
    "current",
    up="i m",
    either="pf",
    source="capacitor and supply together: J. W. Kolar, S. D. Round, IEE Proc. Electr. Power Appl. 153 (2006) "
    "(from memory), and the mean current, 3 / 4 M Ipk cos phi by the balance of power",
)
def link_current(i: Any, m: Any, pf: Any) -> Any:
    """Rms current between the DC-link capacitor and the bridge."""
    if any_of(m > 2 / math.sqrt(3)):
        raise ImpossibleError("a modulation index above 2 / sqrt(3) is no sine any more")
    return i * (2 * m * (_A + pf * pf * _B)) ** 0.5


@formula(
    "{i} / (4 * {f} * {c}) + {i} * {esr} * max(1, sqrt(3 * (1 - {pf}^2)))",
    "voltage",
    up="i esr",
    down="f c",
    free="pf",
    source="Q = I D (1 - D) / f at D = 1/2, V = Q / C, and Ohm's law in the ESR: where the voltage passes "
    "from one sector to the next, the link takes the currents of two phases in one period, which lie "
    "sqrt(3) I sin phi apart; circuit theory",
)
def ripple(i: Any, f: Any, c: Any, esr: Any, pf: Any) -> Any:
    """Peak-to-peak ripple at most, within 2 % from fifty PWM periods a turn on: half a period's charge, and the ESR."""
    if any_of(pf * pf > 1):
        raise ImpossibleError("a power factor above 100 % is none")
    return i / (4 * f * c) + i * esr * larger(1.0, (3 * (1 - pf * pf)) ** 0.5)


@check(
    "dclink.ripple-current",
    "ripple current of the DC-link capacitor",
    "Ic = Irms sqrt(2 M (sqrt(3) / (4 pi) + cos^2 phi (sqrt(3) / pi - 9 M / 16)))",
    "stage:motor.current.rms stage:motor.modulation stage:motor.power_factor "
    "stage:dclink.ripple_current",
    CAUTION,
)
def ripple_current(work: Work) -> Outcome:
    """The worst modulation and power factor of those stated against the capacitor's rating."""
    if not work.stated("stage:dclink.ripple_current"):
        return None
    return work.at_most(_capacitor(work), work.take("rating", "stage:dclink.ripple_current"))


def _capacitor(work: Work) -> Variable | None:
    """Rms current of the capacitor over the modulation and the power factors stated."""
    return work.derive(
        "Ic",
        capacitor_current,
        i=work.take("Irms", "stage:motor.current.rms"),
        m=work.take("M", "stage:motor.modulation"),
        pf=work.take("cos phi", "stage:motor.power_factor"),
    )


@check(
    "dclink.ripple-voltage",
    "voltage ripple of the DC link at the switching frequency",
    "dV = Ipk / (4 f C) + Ipk ESR max(1, sqrt(3) sin phi)",
    "stage:motor.current.peak stage:pwm.frequency stage:dclink.capacitor stage:dclink.esr "
    "stage:motor.power_factor stage:limits.supply_ripple",
    CAUTION,
    model_error=RIPPLE_ERROR,
)
def ripple_voltage(work: Work) -> Outcome:
    """The charge of one half-bridge at half duty, which bounds that of three, and the steps in the ESR."""
    if not work.stated("stage:dclink.capacitor"):
        return None
    value = work.derive(
        "dV",
        ripple,
        i=work.take("Ipk", "stage:motor.current.peak"),
        f=work.take("f", "stage:pwm.frequency"),
        c=work.take("C", "stage:dclink.capacitor"),
        esr=work.take("ESR", "stage:dclink.esr"),
        pf=work.take("cos phi", "stage:motor.power_factor"),
    )
    return work.at_most(value, work.take("limit", "stage:limits.supply_ripple"))


SHOCK = (
    "A charged DC link can kill and can burn: discharge it, wait, and measure before you touch it."
)


@formula(
    "{ta} + {rth} * {i}^2 * {esr}",
    "temperature",
    up="ta rth i esr",
    source="T = Ta + Rth I^2 ESR; circuit theory",
)
def hot_spot(ta: Any, rth: Any, i: Any, esr: Any) -> Any:
    """Temperature of the capacitor's hot spot by its own ripple current."""
    return ta + rth * i * i * esr


@formula("{vs} / {r}", "current", up="vs", down="r", source="Ohm's law on an empty capacitor")
def inrush(vs: Any, r: Any) -> Any:
    """Current at the moment of connection: the empty capacitor takes no voltage."""
    return vs / r


@formula(
    "{c} * {vs}^2 / 2",
    "energy",
    up="c vs",
    source="charging through a resistor turns as much into heat as the capacitor stores: C V^2 / 2; circuit theory",
)
def charging_heat(c: Any, vs: Any) -> Any:
    """Energy in the precharge resistor, whatever its resistance."""
    return c * vs * vs / 2


@formula(
    "{vs} * exp(-{t} / ({r} * {c}))",
    "voltage",
    up="vs r c",
    down="t",
    source="exponential charge through a resistor; circuit theory",
)
def gap_left(vs: Any, r: Any, c: Any, t: Any) -> Any:
    """Voltage still missing when the precharge resistor is bridged."""
    return vs * decay(t / (r * c))


@formula(
    "sqrt({vs}^2 + 2 * {e} / {c})",
    "voltage",
    up="vs e",
    down="c",
    source="energy of a capacitor, E = C V^2 / 2; all of the braking energy stays in the link",
)
def pumped_up(vs: Any, e: Any, c: Any) -> Any:
    """Voltage of a link that takes the braking energy while the supply takes none."""
    return (vs * vs + 2 * e / c) ** 0.5


@formula(
    "{r} * {c} * max(0, ln({vs} / {safe}))",
    "time",
    up="r c vs",
    down="safe",
    source="exponential discharge through a resistor; circuit theory",
)
def discharge(r: Any, c: Any, vs: Any, safe: Any) -> Any:
    """Time in which a resistor discharges the link to the safe voltage."""
    return r * c * log(larger(1.0, vs / safe))


@formula("{vs}^2 / {r}", "power", up="vs", down="r", source="P = V^2 / R")
def first_power(vs: Any, r: Any) -> Any:
    """Power of the discharge resistor at its start."""
    return vs * vs / r


@check(
    "dclink.temperature",
    "hot spot of the DC-link capacitor",
    "T = Ta + Rth Ic^2 ESR",
    "stage:motor.current.rms stage:motor.modulation stage:motor.power_factor stage:dclink.esr "
    "stage:dclink.rth stage:dclink.temperature_max stage:temperature.ambient",
    CAUTION,
)
def temperature(work: Work) -> Outcome:
    """Ripple current in the series resistance heats the capacitor; its life halves every few kelvins."""
    if not work.stated("stage:dclink.rth"):
        return None
    ta = work.take("Ta", "stage:temperature.ambient")
    value = work.derive(
        "T",
        hot_spot,
        ta=ta,
        rth=work.take("Rth", "stage:dclink.rth"),
        i=_capacitor(work),
        esr=work.take("ESR", "stage:dclink.esr"),
    )
    return work.at_most(value, work.take("Tmax", "stage:dclink.temperature_max"), base=ta)


@check(
    "dclink.inrush",
    "current into the empty DC link",
    "I = Vs / Rpre",
    "stage:supply.voltage stage:precharge.resistor stage:limits.inrush",
    SHOCK,
)
def inrush_current(work: Work) -> Outcome:
    """The first instant of precharge against the current permitted."""
    if not work.stated("stage:precharge.resistor"):
        return None
    value = work.derive(
        "I",
        inrush,
        vs=work.take("Vs", "stage:supply.voltage"),
        r=work.take("Rpre", "stage:precharge.resistor"),
    )
    return work.at_most(value, work.take("limit", "stage:limits.inrush"))


@check(
    "dclink.precharge-energy",
    "energy in the precharge resistor",
    "E = C Vs^2 / 2",
    "stage:supply.voltage stage:dclink.capacitor stage:precharge.energy",
    SHOCK,
)
def precharge_energy(work: Work) -> Outcome:
    """One whole charge from empty against the pulse rating; repeated starts need time to cool."""
    if not work.stated("stage:precharge.energy"):
        return None
    value = work.derive(
        "E",
        charging_heat,
        c=work.take("C", "stage:dclink.capacitor"),
        vs=work.take("Vs", "stage:supply.voltage"),
    )
    return work.at_most(value, work.take("rating", "stage:precharge.energy"))


@check(
    "dclink.precharge-gap",
    "voltage left when the precharge resistor is bridged",
    "V = Vs exp(-t / (Rpre C))",
    "stage:supply.voltage stage:precharge.resistor stage:dclink.capacitor stage:precharge.time "
    "stage:limits.precharge_gap",
    SHOCK,
)
def precharge_gap(work: Work) -> Outcome:
    """What is left drives a second inrush through the contact or switch that bridges."""
    if not work.stated("stage:precharge.resistor"):
        return None
    value = work.derive(
        "V",
        gap_left,
        vs=work.take("Vs", "stage:supply.voltage"),
        r=work.take("Rpre", "stage:precharge.resistor"),
        c=work.take("C", "stage:dclink.capacitor"),
        t=work.take("t", "stage:precharge.time"),
    )
    return work.at_most(value, work.take("limit", "stage:limits.precharge_gap"))


@check(
    "dclink.regeneration",
    "DC link after braking into a supply that takes nothing back",
    "V = sqrt(Vs^2 + 2 E / C) <= the lowest of Vc,max, Vds,max, Vs,abs",
    "stage:supply.voltage stage:dclink.capacitor stage:motor.braking_energy " + RATINGS,
    SHOCK,
)
def regeneration(work: Work) -> Outcome:
    """A blown fuse, a reverse-battery switch or a full battery: all of it stays in the capacitor."""
    if not work.stated("stage:motor.braking_energy"):
        return None
    value = work.derive(
        "V",
        pumped_up,
        vs=work.take("Vs", "stage:supply.voltage"),
        e=work.take("E", "stage:motor.braking_energy"),
        c=work.take("C", "stage:dclink.capacitor"),
    )
    return work.at_most(value, weakest(work))


@check(
    "dclink.discharge-time",
    "DC link discharged in time",
    "t = R C ln(Vs / Vsafe)",
    "stage:supply.voltage stage:discharge.resistor stage:dclink.capacitor "
    "stage:limits.safe_voltage stage:limits.discharge_time",
    SHOCK,
)
def discharge_time(work: Work) -> Outcome:
    """From the highest supply to the voltage that counts as safe."""
    if not work.stated("stage:discharge.resistor"):
        return None
    value = work.derive(
        "t",
        discharge,
        r=work.take("R", "stage:discharge.resistor"),
        c=work.take("C", "stage:dclink.capacitor"),
        vs=work.take("Vs", "stage:supply.voltage"),
        safe=work.take("Vsafe", "stage:limits.safe_voltage"),
    )
    return work.at_most(value, work.take("limit", "stage:limits.discharge_time"))


@check(
    "dclink.discharge-power",
    "power of the discharge resistor",
    "P = Vs^2 / R",
    "stage:supply.voltage stage:discharge.resistor stage:discharge.power",
    SHOCK,
)
def discharge_power(work: Work) -> Outcome:
    """A supply that was not cut keeps the resistor at its first power for good."""
    if not work.stated("stage:discharge.resistor"):
        return None
    value = work.derive(
        "P",
        first_power,
        vs=work.take("Vs", "stage:supply.voltage"),
        r=work.take("R", "stage:discharge.resistor"),
    )
    return work.at_most(value, work.take("rating", "stage:discharge.power"))
