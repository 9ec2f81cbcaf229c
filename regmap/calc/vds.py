"""VDS monitor: trip current over tolerance and temperature, blanking and filter time."""

from __future__ import annotations

from typing import Any

from .corner import Variable, any_of, formula
from .drive import OFF_USES, ON_USES, then, turn_off_time, turn_on_time
from .inputs import ImpossibleError
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


def junction_range(work: Work) -> Variable | None:
    """Junction temperatures met: stated, or from the lowest ambient to the highest permitted."""
    stated = work.maybe("Tj", "stage:mosfet.temperature")
    if stated is not None:
        return stated
    cold = work.take("Ta", "stage:temperature.ambient")
    hot = work.take("Tj,max", "stage:mosfet.tj_max")
    share = work.spread(
        "x", 0.0, 1.0, "ratio", "any temperature from the lowest ambient to the highest junction"
    )
    return work.derive("Tj", between, x=share, cold=cold, hot=hot)


@formula(
    "{cold} + {x} * ({hot} - {cold})",
    "temperature",
    up="cold hot",
    either="x",
    source="range of temperatures",
)
def between(cold: Any, x: Any, hot: Any) -> Any:
    """A temperature between two others."""
    return cold + x * (hot - cold)


def trip(work: Work, side: str) -> Variable | None:
    """Band of the trip current of a side."""
    hot = work.derive(
        "Rds",
        on_resistance,
        r=work.take("R25", "stage:mosfet.rdson"),
        a=work.take("alpha", "stage:mosfet.rdson_tempco"),
        tj=junction_range(work),
    )
    return work.derive(
        "Itrip", trip_current, vds=work.take("Vds,th", f"role:vds.threshold.{side}"), r=hot
    )


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


def _deaf_time(work: Work) -> Variable | None:
    """Blanking plus filter time; a filter that the chip does not have adds nothing."""
    blank = work.take("t_blank", "role:vds.blanking")
    wait = work.maybe("t_filter", "role:vds.filter")
    return blank if wait is None else work.derive("t_deaf", then, a=blank, b=wait)


@sided(
    "vds.blanking",
    "blanking and filter outlast the turn-on",
    "t_blank + t_filter >= t_pd,on + (Qgs + Qgd) / Isource",
    _TIMES + ON_USES + "chip:propagation.on",
    CAUTION,
)
def blanking(work: Work, side: str) -> Outcome:
    """The monitor must not look before VDS has fallen."""
    _on(work)
    needed = turn_on_time(work, side)
    delay = work.maybe("t_pd,on", "chip:propagation.on")
    if delay is not None:
        needed = work.derive("t_need", then, a=delay, b=needed)
    return work.at_least(_deaf_time(work), needed)


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
    total = work.derive("t_seen", then, a=_deaf_time(work), b=turn_off_time(work, side))
    late = work.maybe("t_cmp", "chip:vds.comparator_delay")
    if late is not None:
        total = work.derive("t_total", then, a=total, b=late)
    told = work.left_to_controller(setting, "vds.mode")
    if told:
        work.extra.append(f"the chip does not act: {told}")
        if not any(f.how == "pin" for f in work.guarding(setting)):
            total = work.derive("t", then, a=total, b=poll_wait(work))
        reaction = work.take("t_ctl", "stage:controller.reaction")
        total = work.derive("t", then, a=total, b=reaction)
    verdict = work.at_most(total, work.take("t_sc", "stage:mosfet.short_circuit_time"))
    return work.protected(verdict, setting, "vds.enable", "vds.mode")
