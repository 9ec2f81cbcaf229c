"""Supply over time as the stage states it: what a starting profile interrupts, what a load dump puts on.

One verdict for each course, named `CHECK.COURSE`. Between its points a course runs straight.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import reduce
from typing import Any

from .corner import Variable, formula, larger, show_value, smaller
from .gatesupply import bootstrapped
from .inputs import Course, ImpossibleError
from .registry import Outcome, check
from .spi import frames_duration
from .startup import (
    STARTUP_USES,
    amplifier_time,
    awake_time,
    bootstrap_time,
    charge_wait,
    pump_time,
    takes_frames,
)
from .supply import LOAD_DUMP_NOTE
from .surge import clamped, higher_level
from .verdict import Verdict
from .work import About, Work

CAUTION = "Courses are yours to state from your specification; none is built in. Test the stage with them."
STRAIGHT = "straight line between two points of the course; geometry"


@formula("min({a}, {b})", "voltage", up="a b", source="the lower of both")
def lower_level(a: Any, b: Any) -> Any:
    """The lower of two levels of a course."""
    return smaller(a, b)


@formula(
    "{dt} * min(1, max(0, ({v} - min({ua}, {ub})) / (max({ua}, {ub}) - min({ua}, {ub}))))",
    "time",
    up="dt v",
    down="ua ub",
    source=STRAIGHT,
)
def time_below(dt: Any, v: Any, ua: Any, ub: Any) -> Any:
    """How long a straight piece of the course lies below a level."""
    low, high = smaller(ua, ub), larger(ua, ub)
    return dt * smaller(1.0, larger(0.0, (v - low) / (high - low + 1e-300)))


@formula(
    "{dt} * min(1, max(0, (max({ua}, {ub}) - {v}) / (max({ua}, {ub}) - min({ua}, {ub}))))",
    "time",
    up="dt ua ub",
    down="v",
    source=STRAIGHT,
)
def time_above(dt: Any, v: Any, ua: Any, ub: Any) -> Any:
    """How long a straight piece of the course lies above a level."""
    low, high = smaller(ua, ub), larger(ua, ub)
    return dt * smaller(1.0, larger(0.0, (high - v) / (high - low + 1e-300)))


@formula("{a} + {b}", "time", up="a b", source="sum of times")
def longer_by(a: Any, b: Any) -> Any:
    """Times of two pieces of a course."""
    return a + b


@formula(
    "{dt} / ({ri} + {rd}) * ({vc} * (max(0, {ua} - {vc})^2 - max(0, {ub} - {vc})^2) "
    "/ (2 * ({ua} - {ub})) + {rd} * (max(0, {ua} - {vc})^3 - max(0, {ub} - {vc})^3) "
    "/ (3 * ({ua} - {ub}) * ({ri} + {rd})))",
    "energy",
    up="dt ua ub",
    down="ri",
    free="rd vc",
    source="integral of (Vbr + Rd i) i with i = (u - Vbr) / (Ri + Rd) along a straight piece; circuit theory",
)
def piece_energy(dt: Any, ri: Any, rd: Any, vc: Any, ua: Any, ub: Any) -> Any:
    """Energy of one straight piece of a load dump in the suppressor."""
    ub = ub + 1e-6 * (ua + 1e-9) * (abs(ua - ub) < 1e-6 * ua)  # a level piece by its limit
    one, two, fall = larger(0.0, ua - vc), larger(0.0, ub - vc), ua - ub
    mean = (one**2 - two**2) / (2 * fall)
    square = (one**3 - two**3) / (3 * fall)
    return dt / (ri + rd) * (vc * mean + rd * square / (ri + rd))


@formula("{a} + {b}", "energy", up="a b", source="sum of energies")
def more_energy(a: Any, b: Any) -> Any:
    """Energies of two pieces of a course."""
    return a + b


@formula(
    "{b} + {tw} * sign({b})",
    "time",
    up="b tw",
    source="a chip that never stopped (sign 0) needs no wake-up",
)
def stopped_for(b: Any, tw: Any) -> Any:
    """How long the drive rests: below the threshold and waking up again; none without an interruption."""
    return (b > 0) * (b + tw)


def _levels(work: Work, course: Course) -> list[Variable]:
    return [
        work.band(
            f"U{n + 1}", level, "voltage", f"{course.name} at {show_value(float(time), 'time')}"
        )
        for n, (time, level) in enumerate(course.points)
    ]


def _pieces(work: Work, course: Course) -> list[tuple[Variable, Variable, Variable]]:
    """Duration and both ends of each straight piece."""
    levels, times = _levels(work, course), [time for time, _ in course.points]
    return [
        (
            work.constant(
                f"t{n + 1}", float(times[n + 1] - times[n]), "time", f"{course.name}, its piece"
            ),
            levels[n],
            levels[n + 1],
        )
        for n in range(len(times) - 1)
    ]


def each_course(
    work: Work, kind: str, title: str, judge: Callable[[Work, Course], Verdict]
) -> list[Verdict]:
    """One verdict for each course of this kind."""
    verdicts = []
    for course in work.facts.courses:
        if course.kind == kind:
            about = About(
                f"{work.about.name}.{course.name}",
                f"{course.name}: {title}",
                work.about.formula,
                work.about.caution,
                work.about.model_error,
            )
            bench = work.branch(about)
            try:
                verdicts.append(judge(bench, course))
            except ImpossibleError as error:
                verdicts.append(bench.refuse(str(error)))
    return verdicts


def _sum(work: Work, symbol: str, rule: Any, parts: list[Variable | None]) -> Variable | None:
    return reduce(lambda a, b: work.derive(symbol, rule, a=a, b=b), parts)


@check(
    "undervoltage.course",
    "undervoltage threshold below every starting profile",
    "Vuv <= lowest level of the course",
    "role:uv.threshold",
    CAUTION,
)
def lowest(work: Work) -> Outcome:
    """The highest threshold against the lowest point of each starting profile."""

    def judge(bench: Work, course: Course) -> Verdict:
        level = _sum(bench, "Umin", lower_level, list(_levels(bench, course)))
        return bench.at_most(bench.take("Vuv", "role:uv.threshold"), level)

    return each_course(work, "starting", "undervoltage threshold below its lowest level", judge)


@check(
    "supply.course-pause",
    "no starting profile stops the drive for longer than it may rest",
    "t(u < Vuv) + t_wake + latched: poll and reaction + charge pump, bootstrap or wait for it + lost settings: "
    "until frames are taken, bring-up, amplifier <= limit; "
    "0 where u never lies below Vuv",
    "role:uv.threshold role:uv.mode chip:supply.wake_time chip:supply.operating stage:poll.period "
    "stage:controller.reaction stage:limits.pause " + STARTUP_USES,
    CAUTION,
)
def pause(work: Work) -> Outcome:
    """How long the supply lies below the highest undervoltage threshold; then the chip wakes again.

    A course that never goes below stops nothing: there is no wake-up to wait for. One after the other, which no
    drive exceeds: where the undervoltage is latched, until the controller has polled it and reacted; the charge pump
    or the bootstrap capacitors from empty, or what the controller waits for them at a start; below the chip's operating
    range what a start takes until frames are taken, the bring-up sequence, and the amplifier with its calibration anew.
    What is not stated is told.
    """
    if not work.stated("stage:limits.pause"):
        return None

    def judge(bench: Work, course: Course) -> Verdict:
        level = bench.take("Vuv", "role:uv.threshold")
        parts = [
            bench.derive(f"b{n}", time_below, dt=dt, v=level, ua=ua, ub=ub)
            for n, (dt, ua, ub) in enumerate(_pieces(bench, course), 1)
        ]
        below = _sum(bench, "t_below", longer_by, parts)
        value = bench.derive("t", stopped_for, b=below, tw=_back(bench, course))
        return bench.at_most(value, bench.take("limit", "stage:limits.pause"))

    return each_course(work, "starting", "drive back in time", judge)


def _back(bench: Work, course: Course) -> Variable | None:
    """From the supply's return until the drive turns again, as far as map and stage state it."""
    parts: list[Variable | None] = [awake_time(bench)]
    untold: list[str] = []
    if bench.stated("role:uv.mode") and not bench.retries("uv.mode"):
        for symbol, name in (("t_poll", "poll.period"), ("t_react", "controller.reaction")):
            span = bench.maybe(symbol, f"stage:{name}")
            if span is None:
                untold.append(f"{name} (the undervoltage is latched)")
            else:
                parts.append(span)
    if bench.stated("stage:startup.charge_time"):
        _add(bench, parts, untold, charge_wait, "the wait for the high-side supply")
    elif bootstrapped(bench):
        _add(bench, parts, untold, bootstrap_time, "charging of the bootstrap capacitors")
    else:
        _add(bench, parts, untold, pump_time, "charging of the charge pump")
    operating = bench.inputs.find("chip:supply.operating", optional=True)
    bench.maybe("Vop", "chip:supply.operating")
    least = float(min(level.low for _, level in course.points))
    if operating is not None and least < operating.value.floats()[0]:  # type: ignore[union-attr]
        _add(bench, parts, untold, takes_frames, "the time until the chip takes frames")
        runs = (*bench.facts.bring_up, *bench.facts.outputs_on)
        if runs and bench.stated("stage:spi.clock"):
            for run in runs:
                symbol = f"t_{run.name.replace(' ', '-')}"
                parts.append(frames_duration(bench, symbol, run.lengths, run.waits, run.origin))
        else:
            untold.append("the bring-up sequence after settings were lost")
        if bench.stated("role:sense.gain"):
            _add(bench, parts, untold, amplifier_time, "the amplifier's settling and calibration")
    if untold:
        bench.remark(f"not counted, as it is not stated: {', '.join(untold)}")
    return _sum(bench, "t_back", longer_by, parts)


def _add(
    bench: Work,
    parts: list[Variable | None],
    untold: list[str],
    find: Callable[[Work], Variable | None],
    what: str,
) -> None:
    """A part of the way back where all is stated that it needs; else that it is not counted."""
    side = bench.branch(bench.about)
    found = find(side)
    bench.asked.update(side.asked)
    if found is None or side.missing:
        untold.append(what)
    else:
        parts.append(found)


COURSE_SUPPRESSOR = "stage:suppressor.breakdown stage:suppressor.resistance "


def peak(bench: Work, course: Course) -> Variable | None:
    """Highest level, behind the suppressor where both it and the source's resistance are stated."""
    level = _sum(bench, "Umax", higher_level, list(_levels(bench, course)))
    if course.resistance is None or not bench.stated("stage:suppressor.breakdown"):
        return level
    return bench.derive("Vclamp", clamped, **suppressor_of(bench, course))


def suppressor_of(bench: Work, course: Course) -> dict[str, Variable | None]:
    """What `clamped` and `clamp_current` take: the highest level, the source's resistance, the suppressor."""
    resistance = course.resistance
    if resistance is None:
        bench.missing[f"courses.{course.name}.resistance"] = None
    return {
        "us": _sum(bench, "Umax", higher_level, list(_levels(bench, course))),
        "ri": None
        if resistance is None
        else bench.band("Ri", resistance, "resistance", f"{course.name}, its source"),
        "vc": bench.take("Vbr", "stage:suppressor.breakdown"),
        "rd": bench.take("Rd", "stage:suppressor.resistance"),
    }


@check(
    "supply.course-chip",
    "every load dump within the chip's absolute maximum",
    "max u, clamped: Vbr + Rd (u - Vbr) / (Ri + Rd), <= Vs,abs",
    COURSE_SUPPRESSOR + "chip:supply.max",
    f"{CAUTION} {LOAD_DUMP_NOTE}.",
)
def over_chip(work: Work) -> Outcome:
    """The highest point of each load dump that is stated as a course."""

    def judge(bench: Work, course: Course) -> Verdict:
        return bench.at_most(peak(bench, course), bench.take("Vs,abs", "chip:supply.max"))

    return each_course(work, "load dump", "within the chip's absolute maximum", judge)


@check(
    "supply.course-mosfet",
    "every load dump within the MOSFET's drain-source rating",
    "max u, clamped: Vbr + Rd (u - Vbr) / (Ri + Rd), <= Vds,max",
    COURSE_SUPPRESSOR + "stage:mosfet.vds_max",
    CAUTION,
)
def over_mosfet(work: Work) -> Outcome:
    """The same against the MOSFETs; what switching adds is supply.course-drain."""

    def judge(bench: Work, course: Course) -> Verdict:
        return bench.at_most(peak(bench, course), bench.take("Vds,max", "stage:mosfet.vds_max"))

    return each_course(work, "load dump", "within the MOSFET's rating", judge)


@check(
    "supply.course-duration",
    "above the operating range no longer than the chip stands it",
    "t(u > Vop,max) <= t_transient",
    "chip:supply.operating chip:supply.transient_time",
    CAUTION,
)
def duration(work: Work) -> Outcome:
    """Time of each load dump above the chip's operating range; a suppressor is left out."""
    if not work.stated("chip:supply.transient_time"):
        return None

    def judge(bench: Work, course: Course) -> Verdict:
        band = bench.inputs.find("chip:supply.operating")
        bench.take("Vop", "chip:supply.operating")
        top = getattr(band.value, "high", None) if band is not None else None
        limit = bench.take("t_transient", "chip:supply.transient_time")
        if top is None:
            return bench.at_most(None, limit)
        edge = float(top)
        level = Variable("Vop,max", edge, edge, edge, "voltage", origin=band)
        parts = [
            bench.derive(f"a{n}", time_above, dt=dt, v=level, ua=ua, ub=ub)
            for n, (dt, ua, ub) in enumerate(_pieces(bench, course), 1)
        ]
        return bench.at_most(_sum(bench, "t_above", longer_by, parts), limit)

    return each_course(work, "load dump", "within the time that the chip stands", judge)


@check(
    "supply.course-energy",
    "energy of every load dump in the suppressor",
    "E = sum over pieces of int (Vbr + Rd i) i dt, i = (u - Vbr) / (Ri + Rd)",
    COURSE_SUPPRESSOR + "stage:suppressor.energy",
    CAUTION,
)
def dump_energy(work: Work) -> Outcome:
    """Each course with a source resistance, worked piece by piece."""
    if not work.stated("stage:suppressor.energy"):
        return None

    def judge(bench: Work, course: Course) -> Verdict:
        rating = bench.take("rating", "stage:suppressor.energy")
        vc = bench.take("Vbr", "stage:suppressor.breakdown")
        rd = bench.take("Rd", "stage:suppressor.resistance")
        if course.resistance is None:
            bench.missing[f"courses.{course.name}.resistance"] = None
            return bench.at_most(None, rating)
        ri = bench.band("Ri", course.resistance, "resistance", f"{course.name}, its source")
        parts = [
            bench.derive(f"E{n}", piece_energy, dt=dt, ri=ri, rd=rd, vc=vc, ua=ua, ub=ub)
            for n, (dt, ua, ub) in enumerate(_pieces(bench, course), 1)
        ]
        return bench.at_most(_sum(bench, "E", more_energy, parts), rating)

    return each_course(work, "load dump", "within the suppressor's energy", judge)
