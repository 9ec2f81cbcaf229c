"""A short circuit until it is off: its energy and heat, the safe operating area, the turn-off."""

from __future__ import annotations

from typing import Any

from ..quantity import Band
from .channel import level_at, overdrive, overdrive_at, threshold
from .corner import Variable, any_of, formula, larger, log, smaller
from .currents import SINK_USES, is_resistive, sink_current
from .device import OFF_TIME_ERROR, OVERSHOOT_ERROR, less_sure_of_part
from .edges import OFF_USES, turn_off_time
from .gate import EDGE_CAUTION
from .inputs import ImpossibleError
from .registry import Outcome, check, sided
from .slopes import SLOPE_USES, above_supply, steepest_current
from .thermal import OPERATING_USES, heated_by, operating_junction
from .vds import CAUTION, RETRY_USES, mean_power, retries, seen_off
from .work import Work

ROOT_LAW = (
    "a pulse shorter than the heat takes to leave the die: Zth rises with the root of time; "
    "common practice, no source"
)


@formula(
    "max({l} * {i}^2 / 2, {vs} * {i} * {t} - {l} * {i}^2 / 2)",
    "energy",
    up="vs t",
    free="i l",
    source="energy balance: what the supply gives, V int(i) dt with i rising by V / L to its limit, "
    "ends in the switch, the coil's share at turn-off; circuit theory",
)
def short_energy(vs: Any, i: Any, t: Any, l: Any) -> Any:  # noqa: E741 (an inductance is l)
    """Energy in the switch from the start of a short circuit to its end."""
    stored = l * i * i / 2
    return larger(stored, vs * i * t - stored)


@formula(
    "{t0} + {zth} * sqrt({t} / {tp}) * {e} / {t}",
    "temperature",
    up="t0 zth e",
    down="t tp",
    source=ROOT_LAW,
)
def pulse_temperature(t0: Any, zth: Any, t: Any, tp: Any, e: Any) -> Any:
    """Junction at the end of a pulse of energy `e` and duration `t`."""
    return t0 + zth * (t / tp) ** 0.5 * e / t


@formula(
    "{i1} * ({i2} / {i1})^(max(0, ln({t} / {t1})) / ln({t2} / {t1}))",
    "current",
    free="i1 t1 i2 t2 t",
    source="straight line between two points of the safe operating area on its two logarithmic scales",
)
def between_points(i1: Any, t1: Any, i2: Any, t2: Any, t: Any) -> Any:
    """Current that the safe operating area allows for a duration; before the first point its own."""
    if any_of(t2 <= t1):
        raise ImpossibleError("the longer point of the safe operating area is not the longer one")
    return i1 * (i2 / i1) ** (larger(0.0, log(t / t1)) / log(t2 / t1))


@formula(
    "{isoa} * sqrt({tsoa} / {t})",
    "current",
    up="isoa tsoa",
    down="t",
    source="a point of the safe operating area, moved along the root of time; common practice, no source",
)
def soa_at(isoa: Any, tsoa: Any, t: Any) -> Any:
    """Current that the safe operating area allows for a time, from one point."""
    return isoa * (tsoa / t) ** 0.5


@formula(
    "min({i}, {imax})",
    "current",
    up="i imax",
    source="every safe operating area ends at the pulsed drain current, however short the pulse; "
    "common practice, no source",
)
def capped(i: Any, imax: Any) -> Any:
    """Current of the safe operating area, at most the pulsed drain current."""
    return smaller(i, imax)


@formula(
    "{i} * max(0, {tmax} - {t0}) / ({tmax} - 25)",
    "current",
    up="i",
    down="t0",
    either="tmax",
    source="the safe operating area at 25 degC, derated in a straight line to zero at the highest "
    "junction temperature; common practice, no source",
)
def soa_current(i: Any, tmax: Any, t0: Any) -> Any:
    """Current that the switch stands from a junction temperature on: none from its limit on."""
    if any_of(tmax <= 25):
        raise ImpossibleError("a highest junction temperature of 25 degC or less derates nothing")
    return i * larger(0.0, tmax - t0) / (tmax - 25)


def _start(work: Work, side: str) -> Variable | None:
    """Junction temperature at which the short circuit begins: stated, or that of operation."""
    stated = work.maybe("T0", "stage:mosfet.temperature")
    return stated if stated is not None else operating_junction(work, side)


def _inductance(work: Work) -> Variable | None:
    if work.stated("stage:bridge.inductance"):
        return work.take("L", "stage:bridge.inductance")
    return work.constant(
        "L", 0.0, "inductance", "no loop inductance stated: the current rises at once"
    )


def _energy(work: Work, side: str) -> tuple[Variable | None, Variable | None]:
    """(energy, time) of a short circuit."""
    time = seen_off(work, side)
    # the energy goes with the time, and the heat with its root at most
    less_sure_of_part(work, turn_off_time(work, side), time, OFF_TIME_ERROR)
    energy = work.derive(
        "E",
        short_energy,
        vs=work.take("Vs", "stage:supply.voltage"),
        i=work.take("Isc", "stage:mosfet.short_circuit_current"),
        t=time,
        l=_inductance(work),
    )
    return energy, time


_TIMES = (
    "role:vds.enable role:vds.mode role:vds.blanking role:vds.filter chip:vds.comparator_delay "
)
_SHORT = (
    _TIMES
    + OFF_USES
    + "stage:supply.voltage stage:mosfet.short_circuit_current stage:bridge.inductance "
    "role:vds.threshold.{side} "
)


@sided(
    "vds.short-energy",
    "energy of a short circuit until it is switched off",
    "E = Vs Isc t - L Isc^2 / 2, t = t_blank + t_filter + t_cmp + t_off",
    _SHORT + "stage:mosfet.short_circuit_energy",
    CAUTION,
    "vds.threshold.{side}",
)
def energy(work: Work, side: str) -> Outcome:
    """The switch turns on into a short circuit; the monitor ends it."""
    if not work.stated("stage:mosfet.short_circuit_energy"):
        return None
    verdict = work.at_most(
        _energy(work, side)[0], work.take("rating", "stage:mosfet.short_circuit_energy")
    )
    return work.protected(verdict, f"vds.threshold.{side}", "vds.enable", "vds.mode")


@sided(
    "vds.short-temperature",
    "junction temperature at the end of a short circuit",
    "T = T0 + Zth sqrt(t / tp) E / t",
    _SHORT
    + OPERATING_USES
    + "stage:mosfet.temperature stage:mosfet.pulse.zth stage:mosfet.pulse.time stage:mosfet.tj_max",
    CAUTION,
    "vds.threshold.{side}",
)
def temperature(work: Work, side: str) -> Outcome:
    """From the junction met in operation, by the transient thermal impedance of one pulse."""
    if not work.stated("stage:mosfet.pulse.zth"):
        return None
    start = _start(work, side)
    value = _after_pulse(work, side, start)
    verdict = work.at_most(value, work.take("Tj,max", "stage:mosfet.tj_max"), base=_cold(work))
    return work.protected(verdict, f"vds.threshold.{side}", "vds.enable", "vds.mode")


def _cold(work: Work) -> Variable:
    """What the margin of a pulse counts from: not where it starts, which operation may heat up to the very limit."""
    air = work.maybe("Ta", "stage:temperature.ambient")
    note = "no ambient stated: margins count from where data sheets rate"
    return air or work.constant("Tref", 25.0, "temperature", note)


def _after_pulse(work: Work, side: str, start: Variable | None) -> Variable | None:
    """Junction temperature at the end of one short circuit that begins at `start`."""
    heat, time = _energy(work, side)
    return work.derive(
        "T",
        pulse_temperature,
        t0=start,
        zth=work.take("Zth", "stage:mosfet.pulse.zth"),
        tp=work.take("tp", "stage:mosfet.pulse.time"),
        t=time,
        e=heat,
    )


@sided(
    "vds.retry-temperature",
    "junction temperature at the end of each short circuit while the chip retries",
    "T = Ta + Rth Vs Isc t / (t + t_retry) + Zth sqrt(t / tp) E / t",
    _SHORT
    + RETRY_USES
    + "stage:mosfet.rth stage:temperature.ambient "
    + "stage:mosfet.pulse.zth stage:mosfet.pulse.time stage:mosfet.tj_max",
    CAUTION,
    "vds.threshold.{side}",
)
def retry_temperature(work: Work, side: str) -> Outcome:
    """Each pulse rises from what the mean power of all before has made of the junction.

    After many retries; the first one starts from operation, which vds.short-temperature judges.
    """
    if not work.stated("stage:mosfet.pulse.zth"):
        return None
    if not retries(work):
        return None
    ta = work.take("Ta", "stage:temperature.ambient")
    mean = work.derive(
        "Tmean",
        heated_by,
        ta=ta,
        rth=work.take("Rth", "stage:mosfet.rth"),
        p=mean_power(work, side),
    )
    value = _after_pulse(work, side, mean)
    return work.at_most(value, work.take("Tj,max", "stage:mosfet.tj_max"), base=ta)


@check(
    "vds.short-current",
    "short-circuit current within the pulsed drain current",
    "Isc <= Imax",
    "stage:mosfet.short_circuit_current stage:mosfet.pulse_current",
    CAUTION,
)
def short_current(work: Work) -> Outcome:
    """What source and wiring let flow against the largest current that the MOSFET survives."""
    work.stated("stage:mosfet.short_circuit_current")
    if "stage:mosfet.short_circuit_current" not in work.inputs:
        return None  # the pulse current stands in for it
    return work.at_most(
        work.take("Isc", "stage:mosfet.short_circuit_current"),
        work.take("Imax", "stage:mosfet.pulse_current"),
    )


@sided(
    "vds.safe-area",
    "short circuit within the safe operating area",
    "Isc <= min(Isoa(t), Imax) max(0, Tj,max - T0) / (Tj,max - 25 degC), Isoa(t) = Isoa sqrt(tsoa / t), "
    "between two points Isoa (Isoa2 / Isoa)^(ln(t / tsoa) / ln(tsoa2 / tsoa))",
    _SHORT
    + OPERATING_USES
    + "stage:mosfet.temperature stage:mosfet.soa.current stage:mosfet.soa.time stage:mosfet.tj_max "
    "stage:mosfet.soa.long_current stage:mosfet.soa.long_time stage:mosfet.pulse_current",
    CAUTION,
    "vds.threshold.{side}",
)
def safe_area(work: Work, side: str) -> Outcome:
    """The short-circuit current at the whole supply for its duration, against the derated point."""
    if not work.stated("stage:mosfet.soa.current"):
        return None
    lasts = seen_off(work, side)
    less_sure_of_part(work, turn_off_time(work, side), lasts, OFF_TIME_ERROR)
    point, when = (
        work.take("Isoa", "stage:mosfet.soa.current"),
        work.take("tsoa", "stage:mosfet.soa.time"),
    )
    if work.stated("stage:mosfet.soa.long_current"):
        point = work.derive(
            "Isoa(t)",
            between_points,
            i1=point,
            t1=when,
            i2=work.take("Isoa2", "stage:mosfet.soa.long_current"),
            t2=work.take("tsoa2", "stage:mosfet.soa.long_time"),
            t=lasts,
        )
    else:
        point = work.derive("Isoa(t)", soa_at, isoa=point, tsoa=when, t=lasts)
    most = work.maybe("Imax", "stage:mosfet.pulse_current")
    if most is not None:
        point = work.derive("Isoa,max", capped, i=point, imax=most)
    limit = work.derive(
        "Iallowed",
        soa_current,
        i=point,
        tmax=work.take("Tj,max", "stage:mosfet.tj_max"),
        t0=_start(work, side),
    )
    verdict = work.at_most(work.take("Isc", "stage:mosfet.short_circuit_current"), limit)
    return work.protected(verdict, f"vds.threshold.{side}", "vds.enable", "vds.mode")


@sided(
    "vds.turn-off-overshoot",
    "drain voltage when a short circuit is switched off",
    "V = Vs + Vf + L di/dt, di/dt at Isc with Vov sqrt(Isc / Ipk)",
    SINK_USES + SLOPE_USES + "role:gate.soft_off stage:mosfet.short_circuit_current stage:diode.vf "
    "stage:mosfet.vds_max",
    EDGE_CAUTION,
    model_error=OVERSHOOT_ERROR,
)
def turn_off_overshoot(work: Work, side: str) -> Outcome:
    """The short-circuit current falls faster than the load's: what a soft turn-off is for."""
    if not work.stated("stage:mosfet.short_circuit_current") or not work.stated(
        "stage:bridge.inductance"
    ):
        return None
    vth, vov = threshold(work), overdrive(work)
    isc = work.take("Isc", "stage:mosfet.short_circuit_current")
    over = work.derive(
        "Vov,sc", overdrive_at, vov=vov, i=isc, ipk=work.take("Ipk", "stage:motor.current.peak")
    )
    setting = None
    if not is_resistive(work, "sink", side):
        found = work.inputs.find("role:gate.soft_off", optional=True)
        # a soft turn-off that is switched off leaves the ordinary one
        soft = work.stated("role:gate.soft_off") and found and isinstance(found.value, Band)
        name = "role:gate.soft_off" if soft else f"role:gate.sink.{side}"
        setting = work.take("Isoft" if soft else "Iset,off", name)
    ig = sink_current(work, side, work.derive("Vgs,sc", level_at, vth=vth, vov=over), setting)
    slope = steepest_current(work, ig, (isc, over))
    value = above_supply(work, work.take("Vs", "stage:supply.voltage"), slope)
    return work.at_most(value, work.take("rating", "stage:mosfet.vds_max"))
