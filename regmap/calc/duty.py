"""Of a PWM period: the duty that is asked for, the direction of the current, and how long a switch's input is on."""

from __future__ import annotations

from typing import Literal

from ..errors import CallError
from ..quantity import parse
from .corner import Variable
from .inputs import Inputs
from .pwm import earlier, low_side_time, on_time, own_deadtime
from .work import About, Work

Side = Literal["high", "low"]
Direction = Literal["out", "in"]
SIDES: tuple[Side, Side] = ("high", "low")
DIRECTIONS: tuple[Direction, Direction] = ("out", "in")
#: duties by name, of the stage's own band
DUTIES = ("lowest", "middle", "highest")
EXPECTED = "lowest, middle, highest, or a duty of 0 % to 100 %"


def period_bench(inputs: Inputs) -> Work:
    """A bench on which the period is worked."""
    return Work(About("period", "PWM period", ""), inputs)


def share_of_period(work: Work, duty: str) -> Variable | None:
    """The high side's duty cycle by its name or value. Raises CallError for what is no duty."""
    if duty == "middle":
        return work.constant("D", 0.5, "percent", "middle duty")
    if duty in DUTIES:
        name = "min" if duty == "lowest" else "max"
        return work.take(f"D{name}", f"stage:pwm.duty.{name}")
    try:
        value = float(parse(duty, "percent").value)
    except CallError as error:
        raise CallError(f"duty {duty[:40]!r}: {error.found}", EXPECTED) from None
    if not 0 <= value <= 1:
        raise CallError(f"duty {duty[:40]!r}", EXPECTED)
    return work.constant("D", value, "percent", "duty asked for")


def shortest(side: Side) -> str:
    """The duty at which this side's pulse is shortest."""
    return "highest" if side == "low" else "lowest"


def taking_over(side: Side) -> Direction:
    """The direction of the current that this side takes over."""
    return "out" if side == "high" else "in"


def other_side(side: Side) -> Side:
    """The other switch of the half-bridge."""
    return "low" if side == "high" else "high"


def without_edges(side: Side, share: Variable, pulse: Variable) -> str:
    """Why nothing switches at this duty and what the switch does; empty where there are edges."""
    at = f"at a duty cycle of {share.text()} the {side} side"
    if pulse.typ <= 0:
        lost = "" if share.typ in (0.0, 1.0) else ", as the dead time is longer than its pulse"
        shunt = ", and its shunt carries nothing to sample" if side == "low" else ""
        return f"{at} is never on{lost}: no edge, nothing to blank{shunt}"
    if share.typ == (1.0 if side == "high" else 0.0):
        return f"{at} stays on: no edge, no dead time, and its VDS monitor looks all the time"
    return ""


def pulse_of(work: Work, side: Side, share: Variable | None) -> Variable | None:
    """How long this side's input is on."""
    f = work.take("f", "stage:pwm.frequency")
    own = own_deadtime(work)
    if side == "low":
        return work.derive("t_pulse", low_side_time, d=share, f=f, td=own)
    return work.derive("t_pulse", earlier, a=work.derive("ton", on_time, d=share, f=f), b=own)
