"""What a load dump and a surge put on the capacitor, and what switching and the suppressor add where it is a course."""

from __future__ import annotations

from .corner import Variable
from .courses import CAUTION, COURSE_SUPPRESSOR, each_course, peak, suppressor_of
from .device import DRAIN_ERROR
from .gate import EDGE_CAUTION
from .inputs import Course
from .ratings import CAPACITOR, own
from .registry import SIDES, Outcome, check
from .slopes import OVERSHOOT_USES, with_overshoot
from .supply import LOAD_DUMP_NOTE, LOAD_DUMP_USES, load_dump_level
from .surge import SURGE_USES, clamp_current, higher_level, surge_clamp
from .verdict import Verdict
from .work import About, Work

AGES = "A capacitor beyond its rating may burst: discharge it, and keep off while it is tested."

BOTH_SIDES = "".join(
    OVERSHOOT_USES.format(side=side, other=other) for side, other in (SIDES, SIDES[::-1])
)


@check(
    "dclink.transients",
    "DC-link capacitor within its rating in a load dump and in a surge",
    "V = Vld, or clamped: Vbr + Rd (U - Vbr) / (Ri + Rd), <= Vc,max",
    LOAD_DUMP_USES + SURGE_USES + COURSE_SUPPRESSOR + CAPACITOR,
    f"{AGES} {LOAD_DUMP_NOTE}.",
)
def capacitor(work: Work) -> Outcome:
    """Each event that is stated, against the rating of the capacitor where that is stated itself.

    What the capacitor stands in a surge beyond its rating is its data sheet's to say; none is taken here.
    """
    if own(work, "Vc,max", CAPACITOR) is None:
        return None
    found: list[Verdict] = []
    for event, stated in (
        ("load-dump", "stage:supply.load_dump"),
        ("surge", "stage:surge.voltage"),
    ):
        if work.stated(stated):
            told = work.about
            bench = work.branch(
                About(f"{told.name}.{event}", f"{told.title} ({event})", told.formula, told.caution)
            )
            value = load_dump_level(bench) if event == "load-dump" else surge_clamp(bench)
            found.append(bench.at_most(value, bench.take("Vc,max", CAPACITOR)))

    def judge(bench: Work, course: Course) -> Verdict:
        return bench.at_most(peak(bench, course), bench.take("Vc,max", CAPACITOR))

    return found + each_course(work, "load dump", "within the capacitor's rating", judge)


@check(
    "supply.course-drain",
    "drain voltage with the overshoot of turn-off in every load dump",
    "V = max u, clamped, + Vf + L di/dt <= Vds,max, of both sides",
    COURSE_SUPPRESSOR + BOTH_SIDES + "stage:mosfet.vds_max",
    f"{CAUTION} {EDGE_CAUTION}",
    model_error=DRAIN_ERROR,
)
def overshoot_in_course(work: Work) -> Outcome:
    """As supply.load-dump-overshoot, of each load dump that is stated as a course, by the side that rises higher."""

    def judge(bench: Work, course: Course) -> Verdict:
        level = peak(bench, course)
        high, low = (with_overshoot(bench, side, level) for side in SIDES)
        value = bench.derive("Vds", higher_level, a=high, b=low)
        return bench.at_most(value, bench.take("Vds,max", "stage:mosfet.vds_max"))

    return each_course(work, "load dump", "within the MOSFET's rating with the overshoot", judge)


@check(
    "supply.course-current",
    "peak current of every load dump in the suppressor",
    "I = (max u - Vbr) / (Ri + Rd)",
    COURSE_SUPPRESSOR + "stage:suppressor.current",
    CAUTION,
)
def current_in_course(work: Work) -> Outcome:
    """The peak of each course with a source resistance against the suppressor's rating."""
    if not work.stated("stage:suppressor.current"):
        return None

    def judge(bench: Work, course: Course) -> Verdict:
        parts = suppressor_of(bench, course)
        value: Variable | None = bench.derive("I", clamp_current, **parts)
        return bench.at_most(value, bench.take("rating", "stage:suppressor.current"))

    return each_course(work, "load dump", "within the suppressor's peak current", judge)
