"""VDS monitor: trip current over tolerance and temperature, blanking and filter time."""

from __future__ import annotations

from typing import Any

from .channel import junction_range, plateau
from .corner import Variable, any_of, formula, larger, smaller
from .currents import gate_voltage
from .device import OFF_TIME_ERROR, TIME_ERROR, beyond_charge, less_sure_of_part, lift_for_drop
from .edges import OFF_USES, after_edge, then, turn_off_time, turn_on_time
from .gatesupply import allowed_power
from .inputs import ImpossibleError
from .pwm import EDGE_USES, gate_starts
from .registry import Outcome, sided
from .spi import POLL_USES, poll_wait
from .work import Work

CAUTION = (
    "A VDS monitor is no current measurement: its trip current spreads with the MOSFET and "
    "its temperature."
)


@formula(
    "{r} * (1 + {a} * ({tj} - 25))",
    "resistance",
    up="r",
    either="a tj",
    source="linear rise from 25 degC; common practice, no source",
)
def on_resistance(r: Any, a: Any, tj: Any) -> Any:
    """On-resistance at a junction temperature in degC."""
    factor = 1 + a * (tj - 25)
    if any_of(factor <= 0):
        raise ImpossibleError("the on-resistance falls to zero at the lowest temperature")
    return r * factor


@formula(
    "{vds} / {r}",
    "current",
    up="vds",
    down="r",
    source="Vth > I R k: TI application example (from memory)",
)
def trip_current(vds: Any, r: Any) -> Any:
    """Current at which the monitor trips: I = Vth / Rds(on)."""
    return vds / r


def hot_resistance(work: Work) -> Variable | None:
    """On-resistance over the junction temperatures met."""
    return work.derive(
        "Rds",
        on_resistance,
        r=work.take("R25", "stage:mosfet.rdson"),
        a=work.take("alpha", "stage:mosfet.rdson_tempco"),
        tj=junction_range(work),
    )


def trip(work: Work, side: str) -> Variable | None:
    """Band of the trip current of a side."""
    level = work.take("Vds,th", f"role:vds.threshold.{side}")
    return work.derive("Itrip", trip_current, vds=level, r=hot_resistance(work))


@formula(
    "{q} * max(0, min(1, {v} / ({vg} - {vpl})))",
    "charge",
    up="q v vpl",
    down="vg",
    source="even capacitance beyond the plateau; at most all of its charge",
)
def part_of_charge(q: Any, v: Any, vg: Any, vpl: Any) -> Any:
    """Charge that lifts the gate from the plateau by `v`."""
    return q * larger(0.0, smaller(1.0, v / (vg - vpl)))


@formula(
    "max({vg} - {vpl} - {v}, {vg} / 20)",
    "voltage",
    up="vg",
    down="vpl v",
    source="nearly full at a twentieth, as an exponential never ends",
)
def lacking_after(vg: Any, vpl: Any, v: Any) -> Any:
    """What the gate lacks to its rail after it has risen by `v` from the plateau."""
    return larger(vg - vpl - v, vg / 20)


def below_threshold(work: Work, side: str) -> Variable | None:
    """Start of gate charge until VDS at the peak current is below the monitor's threshold.

    At the end of the plateau the channel only enters its ohmic region; VDS goes on falling while
    the gate rises.
    """
    level = work.take("Vds,th", f"role:vds.threshold.{side}")
    vg, vpl = gate_voltage(work, side), plateau(work)
    lift = lift_for_drop(work, level, hot_resistance(work), vg)
    charge = work.derive(
        "Qtail", part_of_charge, q=beyond_charge(work, side), v=lift, vg=vg, vpl=vpl
    )
    left = work.derive("Vleft", lacking_after, vg=vg, vpl=vpl, v=lift)
    tail = after_edge(work, side, "t_tail", charge, left)
    return work.derive("t_below", then, a=turn_on_time(work, side), b=tail)


def _on(work: Work) -> None:
    """Record that the monitor is off, by its switch or by what it does on a fault."""
    if not work.switched_off("vds.enable"):
        work.switched_off("vds.mode")


_TRIP = (
    "role:vds.enable role:vds.mode role:vds.threshold.{side} stage:mosfet.rdson stage:mosfet.rdson_tempco "
    "stage:mosfet.temperature stage:temperature.ambient stage:mosfet.tj_max "
)
_TIMES = "role:vds.enable role:vds.mode role:vds.blanking role:vds.filter "


@sided(
    "vds.no-false-trip",
    "VDS monitor stays silent at the peak current",
    "Itrip = Vds,th / (R25 (1 + alpha (Tj - 25)))",
    _TRIP + "stage:motor.current.peak",
    CAUTION,
)
def no_false_trip(work: Work, side: str) -> Outcome:
    """Lowest trip current (hot, highest resistance) against the peak current."""
    _on(work)
    return work.at_least(trip(work, side), work.take("Ipk", "stage:motor.current.peak"))


@sided(
    "vds.protects",
    "VDS monitor trips before the MOSFET is overloaded",
    "Itrip = Vds,th / (R25 (1 + alpha (Tj - 25)))",
    _TRIP + "stage:mosfet.pulse_current",
    CAUTION,
    "vds.threshold.{side}",
)
def protects(work: Work, side: str) -> Outcome:
    """Highest trip current (cold, lowest resistance) against the pulse current survived.

    A monitor that is off or only reports protects nothing, and fails.
    """
    verdict = work.at_most(trip(work, side), work.take("Imax", "stage:mosfet.pulse_current"))
    setting = f"vds.threshold.{side}"
    return work.protected(verdict, setting, "vds.enable", "vds.mode", acts="vds.mode")


def deaf_time(work: Work) -> Variable | None:
    """Blanking plus filter time; a filter that the chip does not have adds nothing."""
    blank = work.take("t_blank", "role:vds.blanking")
    wait = work.maybe("t_filter", "role:vds.filter")
    return blank if wait is None else work.derive("t_deaf", then, a=blank, b=wait)


def may_look(work: Work, side: str) -> Variable | None:
    """Start of the blanking time until the comparator has seen VDS below its threshold."""
    seen = below_threshold(work, side)
    if work.choice("chip:vds.blanking_from") == "input edge":
        seen = work.derive("t_need", then, a=gate_starts(work, side), b=seen)
    late = work.maybe("t_cmp", "chip:vds.comparator_delay")
    return seen if late is None else work.derive("t_seen", then, a=seen, b=late)


LOOK_USES = (
    EDGE_USES + "stage:mosfet.qg stage:mosfet.vth stage:motor.current.peak "
    "chip:vds.blanking_from chip:vds.comparator_delay "
)


@sided(
    "vds.blanking",
    "blanking and filter outlast the turn-on",
    "t_blank + t_filter >= td,add + t_pd,on + t_on + t_tail + t_cmp; without td,add and t_pd,on "
    "where blanking starts with the gate",
    _TIMES + LOOK_USES + _TRIP,
    CAUTION,
    model_error=TIME_ERROR,
)
def blanking(work: Work, side: str) -> Outcome:
    """The monitor must not look before VDS has fallen below its threshold, at the peak current."""
    _on(work)
    return work.at_least(deaf_time(work), may_look(work, side))


def seen_off(work: Work, side: str) -> Variable | None:
    """Start of a short circuit until the chip has switched it off."""
    total = work.derive("t_seen", then, a=deaf_time(work), b=turn_off_time(work, side))
    late = work.maybe("t_cmp", "chip:vds.comparator_delay")
    return total if late is None else work.derive("t_total", then, a=total, b=late)


@formula(
    "{vs} * {i} * {t} / ({t} + {pause})",
    "power",
    up="vs i t",
    down="pause",
    source="energy of one short circuit, V I t, once in every pause and try; definition of a mean",
)
def retry_power(vs: Any, i: Any, t: Any, pause: Any) -> Any:
    """Mean power in one switch that is turned on into a short circuit again and again."""
    return vs * i * t / (t + pause)


RETRY_USES = (
    _TIMES + OFF_USES + "chip:vds.comparator_delay stage:supply.voltage role:retry.time "
    "stage:mosfet.short_circuit_current "
)


def retries(work: Work) -> bool:
    """Whether the chip turns on into the short circuit again; where it stays off by itself there is no such hazard."""
    if work.switched_off("vds.enable"):
        return False
    again = work.retries("vds.mode")
    if not again and work.acts("vds.mode"):
        work.no_hazard()
    return again


def mean_power(work: Work, side: str) -> Variable | None:
    """Mean power in one switch while the chip retries into a short circuit."""
    return work.derive(
        "P",
        retry_power,
        vs=work.take("Vs", "stage:supply.voltage"),
        i=work.take("Isc", "stage:mosfet.short_circuit_current"),
        t=seen_off(work, side),
        pause=work.take("t_retry", "role:retry.time"),
    )


@sided(
    "vds.retry",
    "mean power while the chip retries into a short circuit",
    "P = Vs Isc t / (t + t_retry), t = t_blank + t_filter + t_cmp + t_off; P <= (Tj,max - Ta) / Rth",
    RETRY_USES + "stage:mosfet.tj_max stage:temperature.ambient stage:mosfet.rth",
    CAUTION + " The mean says nothing of the single pulse, which vds.withstand judges, nor of both "
    "together, which vds.retry-temperature judges where mosfet.pulse.zth is stated.",
    "vds.threshold.{side}",
)
def retry(work: Work, side: str) -> Outcome:
    """A latch heats the switch once; a retry heats it for as long as the short circuit lasts."""
    if not retries(work):
        return None
    less_sure_of_part(work, turn_off_time(work, side), seen_off(work, side), OFF_TIME_ERROR)
    value = mean_power(work, side)
    allowed = work.derive(
        "Pmax",
        allowed_power,
        tmax=work.take("Tj,max", "stage:mosfet.tj_max"),
        ta=work.take("Ta", "stage:temperature.ambient"),
        rth=work.take("Rth", "stage:mosfet.rth"),
    )
    return work.at_most(value, allowed)


@sided(
    "vds.withstand",
    "short circuit is switched off in time",
    "t_blank + t_filter + t_cmp + t_off <= t_sc; + t_poll (1 + tol) + t_spi + t_ctl where the "
    "chip only reports",
    _TIMES
    + OFF_USES
    + "role:vds.threshold.{side} chip:vds.comparator_delay "
    + POLL_USES
    + "stage:controller.reaction stage:mosfet.short_circuit_time",
    CAUTION,
    "vds.threshold.{side}",
)
def withstand(work: Work, side: str) -> Outcome:
    """Blanking, filter, comparator and turn-off against the short-circuit withstand time.

    Where the monitor only reports, the controller's poll and reaction come before the turn-off.
    """
    setting = f"vds.threshold.{side}"
    total = seen_off(work, side)
    told = work.left_to_controller(setting, "vds.mode")
    if told:
        work.extra.append(f"the chip does not act: {told}")
        if not any(f.how == "pin" for f in work.guarding(setting)):
            total = work.derive("t", then, a=total, b=poll_wait(work))
        reaction = work.take("t_ctl", "stage:controller.reaction")
        total = work.derive("t", then, a=total, b=reaction)
    limit = work.take("t_sc", "stage:mosfet.short_circuit_time")
    less_sure_of_part(work, turn_off_time(work, side), limit, OFF_TIME_ERROR)
    verdict = work.at_most(total, limit)
    return work.protected(verdict, setting, "vds.enable", "vds.mode")
