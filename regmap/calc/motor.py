"""Motor: what it drives back into the bridge at speed, and what a short of its phases draws."""

from __future__ import annotations

import math
from typing import Any

from .corner import Variable, formula, larger
from .ratings import RATINGS, weakest
from .registry import Outcome, check
from .work import Work

CAUTION = "A motor that turns is a generator: whoever works on the drive must keep its shaft from turning."


@formula(
    "max(0, {e} - 2 * {vf})",
    "voltage",
    up="e",
    down="vf",
    source="three-phase rectifier at no load: peak between two phases, less two diodes; circuit theory",
)
def rectified(e: Any, vf: Any) -> Any:
    """Voltage to which the body diodes charge the link while all switches are off."""
    return larger(0.0, e - 2 * vf)


@formula(
    "{e} / sqrt(6) / sqrt({r}^2 + (2 * pi * {f} * {l})^2)",
    "current",
    up="e",
    down="r f l",
    source="I = E / |R + jwL| of one phase, its rms E the peak between two phases / sqrt(6); circuit theory",
)
def shorted(e: Any, r: Any, f: Any, l: Any) -> Any:  # noqa: E741 (an inductance is l)
    """Steady phase current, rms, of a motor whose phases the bridge shorts."""
    return e / math.sqrt(6) / (r * r + (2 * math.pi * f * l) ** 2) ** 0.5


@check(
    "motor.back-emf",
    "DC link charged by the motor at its highest speed",
    "V = E - 2 Vf <= the lowest of Vc,max, Vds,max, Vs,abs",
    "stage:motor.back_emf stage:diode.vf " + RATINGS,
    CAUTION,
)
def back_emf(work: Work) -> Outcome:
    """With all switches off the motor's voltage reaches the link through the body diodes.

    This is what a protection that opens all switches leaves; shorting the phases avoids it.
    """
    if not work.stated("stage:motor.back_emf"):
        return None
    value = work.derive(
        "V",
        rectified,
        e=work.take("E", "stage:motor.back_emf"),
        vf=work.take("Vf", "stage:diode.vf"),
    )
    return work.at_most(value, weakest(work))


def shorted_current(work: Work) -> Variable | None:
    """Steady phase current, rms, while the bridge shorts the phases at the highest speed."""
    return work.derive(
        "I",
        shorted,
        e=work.take("E", "stage:motor.back_emf"),
        r=work.take("R", "stage:motor.phase_resistance"),
        f=work.take("f_el", "stage:motor.frequency_max"),
        l=work.take("L", "stage:motor.phase_inductance"),
    )


BRAKING_USES = (
    "stage:motor.back_emf stage:motor.phase_resistance stage:motor.frequency_max "
    "stage:motor.phase_inductance stage:limits.braking_current "
)


@check(
    "motor.short-braking",
    "phase current while the bridge shorts the phases",
    "I = E / sqrt(6) / sqrt(R^2 + (2 pi f L)^2)",
    BRAKING_USES,
    CAUTION
    + " The current starts with a peak of up to twice the steady one, and saturation adds to it.",
)
def short_braking(work: Work) -> Outcome:
    """Steady current of a short of all phases at the highest speed."""
    if not work.stated("stage:limits.braking_current"):
        return None
    return work.at_most(shorted_current(work), work.take("limit", "stage:limits.braking_current"))
