"""Times of the PWM period that several subjects need: on-times and the dead time in force."""

from __future__ import annotations

from typing import Any

from .corner import Variable, formula, larger
from .drive import then
from .work import Work


@formula("{d} / {f}", "time", up="d", down="f", source="definition of the duty cycle")
def on_time(d: Any, f: Any) -> Any:
    """On-time of the high side in one period."""
    return d / f


@formula("(1 - {d}) / {f} - {td}", "time", down="d f td", source="complementary PWM")
def low_side_time(d: Any, f: Any, td: Any) -> Any:
    """Low-side on-time in one period, less one dead time."""
    return (1 - d) / f - td


@formula("{a} * (1 + {tol})", "time", up="a tol", source="definition of a relative tolerance")
def stretched(a: Any, tol: Any) -> Any:
    """A time counted by a clock with a tolerance about zero."""
    return a * (1 + tol)


@formula("max({a}, {b})", "time", up="a b", source="the longer of two dead times counts")
def longer(a: Any, b: Any) -> Any:
    """Two dead times that overlap."""
    return larger(a, b)


def set_deadtime(work: Work) -> Variable | None:
    """Controller's and chip's dead time together."""
    own = work.derive(
        "td,ctl",
        stretched,
        a=work.take("td,set", "stage:pwm.deadtime"),
        tol=work.take("tol", "stage:controller.clock_tolerance"),
    )
    chip = work.maybe("td,chip", "role:deadtime")
    if chip is None:
        return own
    how = work.choice("chip:deadtime_with_controller")
    return work.derive("td", then if how == "sum" else longer, a=own, b=chip)
