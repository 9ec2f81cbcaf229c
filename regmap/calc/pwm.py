"""One PWM period: its on-times, the dead time in force, and every instant from one edge to the next.

Instants of a switch count from the edge at the driver's input that turns it on:

    input edge, chip's own dead time and propagation, gate delay, current edge, voltage edge,
    VDS below the monitor's threshold, blanking and filter over, sample, input edge off, ...

Checks and the picture of the period read them from here.
"""

from __future__ import annotations

from typing import Any

from ..parameters import NOT_KNOWN
from ..quantity import Band
from .corner import Variable, formula, larger, smaller
from .edges import OFF_USES, ON_USES, drain_above, gate_below, then
from .work import Work


@formula("{d} / {f}", "time", up="d", down="f", source="definition of the duty cycle")
def on_time(d: Any, f: Any) -> Any:
    """On-time of the high side in one period."""
    return d / f


@formula("(1 - {d}) / {f} - {td}", "time", down="d f td", source="complementary PWM")
def low_side_time(d: Any, f: Any, td: Any) -> Any:
    """Low-side on-time in one period, less one dead time."""
    return (1 - d) / f - td


@formula("{a} - {b}", "time", up="a", down="b", source="difference of times")
def earlier(a: Any, b: Any) -> Any:
    """A time less another one."""
    return a - b


@formula("{a} * (1 + {tol})", "time", up="a tol", source="definition of a relative tolerance")
def stretched(a: Any, tol: Any) -> Any:
    """A time counted by a clock with a tolerance about zero."""
    return a * (1 + tol)


@formula("max({a}, {b})", "time", up="a b", source="the longer of two dead times counts")
def longer(a: Any, b: Any) -> Any:
    """Two dead times that overlap."""
    return larger(a, b)


def own_deadtime(work: Work) -> Variable | None:
    """The controller's dead time by its clock: from one input edge to the other."""
    return work.derive(
        "td,ctl",
        stretched,
        a=work.take("td,set", "stage:pwm.deadtime"),
        tol=work.take("tol", "stage:controller.clock_tolerance"),
    )


def handshakes(work: Work) -> bool:
    """Whether the chip waits until it sees the other gate off."""
    return work.stated("role:deadtime.handshake") and work.choice(
        "role:deadtime.handshake"
    ) not in (
        "0",
        "off",
    )


def watches_drain(work: Work) -> bool:
    """Whether the handshake looks at the drain's voltage and not at the gate's.

    A field that selects what is looked at has options with a drain voltage, and one without for the gate.
    """
    if not handshakes(work) or not work.stated("role:deadtime.handshake_drain"):
        return False
    item = work.inputs.find("role:deadtime.handshake_drain")
    assert item is not None
    return isinstance(item.value, Band) or str(item.value).startswith(NOT_KNOWN)


DIRECTION = "from the current that swings the node at turn-off to the one that the switch's own diode carries"


@formula(
    "{x} * {limit} + (1 - {x}) * min({seen}, {limit})",
    "time",
    up="seen limit x",
    source="a drain moves only where its switch carries the current; else the time-out counts",
)
def seen_or_over(seen: Any, limit: Any, x: Any) -> Any:
    """When a handshake on the drain goes on, over both directions of the load's current."""
    return x * limit + (1 - x) * smaller(seen, limit)


def chip_deadtime(work: Work, off: str) -> Variable | None:
    """The chip's own dead time after the `off` side was commanded off; None if it has none.

    With a handshake it is the time until the gate's measured voltage is below the level, or the drain's
    above one, the delay of that comparator, and the fixed part.
    """
    chip = work.maybe("td,chip", "role:deadtime")
    if not handshakes(work):
        return chip
    by_drain = watches_drain(work)
    if by_drain:
        level = work.take("Vds,off", "role:deadtime.handshake_drain")
        seen = drain_above(work, off, level)
    else:
        level = work.take("Voff", "role:deadtime.handshake_level")
        seen = gate_below(work, off, level)
    late = work.take("t_hs", "chip:deadtime_handshake_delay")
    seen = work.derive("t_seen,off", then, a=seen, b=late)
    delay = work.maybe("t_pd,off", "chip:propagation.off")
    if delay is not None:
        seen = work.derive("t_seen,off", then, a=delay, b=seen)
    if by_drain:
        seen = work.derive(
            "t_hs,off",
            seen_or_over,
            seen=seen,
            limit=work.take("t_over", "chip:deadtime_handshake_timeout"),
            x=work.spread("x", 0.0, 1.0, "ratio", DIRECTION),
        )
    return seen if chip is None else work.derive("td,hs", then, a=seen, b=chip)


def set_deadtime(work: Work, off: str = "high") -> Variable | None:
    """Controller's and chip's dead time together, after the `off` side was commanded off."""
    own = own_deadtime(work)
    chip = chip_deadtime(work, off)
    if chip is None:
        return own
    how = work.choice("chip:deadtime_with_controller")
    return work.derive("td", then if how == "sum" else longer, a=own, b=chip)


@formula(
    "max(0, {chip} - {own})",
    "time",
    up="chip",
    down="own",
    source="dead times that overlap: what the longer one adds",
)
def beyond_own(chip: Any, own: Any) -> Any:
    """What the chip's dead time adds after the controller's is over."""
    return larger(0.0, chip - own)


def chip_delay(work: Work, off: str = "high") -> Variable | None:
    """What the chip's own dead time puts between the input edge and the gate; None if nothing."""
    chip = chip_deadtime(work, off)
    if chip is None or work.choice("chip:deadtime_with_controller") == "sum":
        return chip
    return work.derive("td,add", beyond_own, chip=chip, own=own_deadtime(work))


DEADTIME_USES = (
    "stage:pwm.deadtime stage:controller.clock_tolerance role:deadtime "
    "chip:deadtime_with_controller role:deadtime.handshake role:deadtime.handshake_level "
    "role:deadtime.handshake_drain chip:deadtime_handshake_timeout "
    "chip:deadtime_handshake_delay chip:propagation.off "
) + "".join(OFF_USES.replace("{side}", side) for side in ("high", "low"))
EDGE_USES = DEADTIME_USES + ON_USES + "chip:propagation.on "


NO_PROPAGATION = "no propagation delay stated: none is counted"


def propagation(work: Work) -> Variable:
    """Input edge to the start of gate charge; none, which is said, where it is not stated."""
    delay = work.maybe("t_pd,on", "chip:propagation.on")
    if delay is not None:
        return delay
    work.remark(NO_PROPAGATION)
    return work.constant("t_pd,on", 0.0, "time", NO_PROPAGATION)


def gate_starts(work: Work, side: str = "low") -> Variable | None:
    """Input edge to the start of gate charge: the chip's own dead time, then its propagation."""
    delay, late = propagation(work), chip_delay(work, "low" if side == "high" else "high")
    return delay if late is None else work.derive("t_gate", then, a=late, b=delay)
