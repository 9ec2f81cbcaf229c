"""DC link: ripple current of its capacitor, and the ripple of its voltage."""

from __future__ import annotations

import math
from typing import Any

from .corner import any_of, formula
from .inputs import ImpossibleError
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
    "{i} / (4 * {f} * {c}) + {i} * {esr}",
    "voltage",
    up="i esr",
    down="f c",
    source="Q = I D (1 - D) / f at D = 1/2, V = Q / C, and Ohm's law in the ESR; circuit theory",
)
def ripple(i: Any, f: Any, c: Any, esr: Any) -> Any:
    """Peak-to-peak ripple at most: the peak current switched in and out at half a period."""
    return i / (4 * f * c) + i * esr


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
    value = work.derive(
        "Ic",
        capacitor_current,
        i=work.take("Irms", "stage:motor.current.rms"),
        m=work.take("M", "stage:motor.modulation"),
        pf=work.take("cos phi", "stage:motor.power_factor"),
    )
    return work.at_most(value, work.take("rating", "stage:dclink.ripple_current"))


@check(
    "dclink.ripple-voltage",
    "voltage ripple of the DC link at the switching frequency",
    "dV = Ipk / (4 f C) + Ipk ESR",
    "stage:motor.current.peak stage:pwm.frequency stage:dclink.capacitor stage:dclink.esr "
    "stage:limits.supply_ripple",
    CAUTION,
)
def ripple_voltage(work: Work) -> Outcome:
    """The ripple of one half-bridge at half duty, which bounds that of three."""
    if not work.stated("stage:dclink.capacitor"):
        return None
    value = work.derive(
        "dV",
        ripple,
        i=work.take("Ipk", "stage:motor.current.peak"),
        f=work.take("f", "stage:pwm.frequency"),
        c=work.take("C", "stage:dclink.capacitor"),
        esr=work.take("ESR", "stage:dclink.esr"),
    )
    return work.at_most(value, work.take("limit", "stage:limits.supply_ripple"))
