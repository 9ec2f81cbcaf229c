"""What the inputs of a stage say of each other: relations that hold for every power stage.

    for doubt in doubts(values, chip): ...

One table of relations between inputs (`relations`) and one of usual ranges (`usual`). A breach of a
relation that no stage can have is an error; what can be, but is more likely a slip (a unit off by a
thousand), is a warning. Only what is stated is judged: no default stands in.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fractions import Fraction

from ..parameters import PRACTICE, STAGE, Parameter
from ..quantity import Band, parse
from .courses import StatedCourse
from .relations import RELATIONS, Doubt, Given, Relation, Value, shown_as
from .usual import RANGES, RATES, usual

__all__ = [
    "RANGES",
    "RELATIONS",
    "Doubt",
    "Given",
    "Relation",
    "doubts",
    "odd_courses",
    "odd_rate",
    "usual",
]


def _ends(value: Band | int) -> tuple[Fraction, Fraction, Fraction]:
    if isinstance(value, Band):
        return value.low, value.typ, value.high
    return (Fraction(value),) * 3


def _outside(name: str, value: Band | int) -> Doubt | None:
    return _beyond(name, STAGE[name], _ends(value), usual(name))


def _beyond(
    name: str,
    entry: Parameter,
    ends: tuple[Fraction, Fraction, Fraction],
    usually: tuple[Fraction, Fraction],
) -> Doubt | None:
    (least, typ, most), (low, high) = ends, usually
    if low <= least and most <= high:
        return None
    if entry.sign == "zero or more" and not typ:
        return None  # none of it
    shifted: list[Fraction] = []
    if entry.dimension not in (None, "percent", "temperature"):
        shifted = [typ * Fraction(10) ** power for power in (-3, 3, -6, 6)]
    meant = next((v for v in shifted if low <= v <= high), None)
    at = most if most > high else least
    return Doubt(
        name,
        f"{name} of {shown_as(at, entry)}",
        f"{shown_as(low, entry)} to {shown_as(high, entry)}, as power stages have it ({PRACTICE})",
        shown_as(meant, entry) if meant is not None and meant != typ else "",
        "warning",
    )


def doubts(
    stage: Mapping[str, Value], chip: Mapping[str, Value], facts: Mapping[str, int] | None = None
) -> list[Doubt]:
    """What is wrong with the stated inputs of a stage; what is wrong for one reason is told once.

    `facts` are counts that follow from the map: `poll_bits` and `readback_bits` of the frames of one poll
    of all status registers, and of one readback of all settings.
    """
    given = Given(stage, chip, facts)
    ranges = {
        n: d
        for n, v in stage.items()
        if n in RANGES and not isinstance(v, str) and (d := _outside(n, v)) is not None
    }
    found: dict[str, list[Doubt]] = {}
    for relation in RELATIONS:
        given.used.clear()
        doubt = relation.breach(given)
        # an input that is a slip itself makes others look odd that are not
        if doubt is None or (
            doubt.severity == "warning" and (given.used - {doubt.name}) & set(ranges)
        ):
            continue
        known = found.setdefault(doubt.name, [])
        reason = doubt.expected.rpartition(": ")[2]
        if not any(k.expected.rpartition(": ")[2] == reason for k in known):
            known.append(doubt)
    for name, doubt in ranges.items():
        if name not in found:
            found[name] = [doubt]
    return [d for several in found.values() for d in several] + _load_dump_test(stage)


_TEST = "supply.load_dump_class"


#: Level above which a load dump has no central suppressor, and below which it has one: four times the voltage of
#: operation. ISO 16750-2 as quoted (see tests/calc/test_published.py): test A 79..101 V and 151..202 V, test B 35 V and 58 V.
_SUPPRESSED_BELOW = {"12 V": Fraction(56), "24 V": Fraction(112)}


def _load_dump_test(stage: Mapping[str, Value]) -> list[Doubt]:
    """A load-dump test without a level, one of the other vehicle system, or with the level of the other test.

    Which test it is decides whether a suppressor must stay silent in it (supply.surge-standoff).
    """
    told, supply = stage.get(_TEST), stage.get("supply.voltage")
    if not isinstance(told, str):
        return []
    found = []
    if "supply.load_dump" not in stage:
        expected = (
            "supply.load_dump beside it: levels of a standard are built in no more, state yours"
        )
        found.append(Doubt(_TEST, f"{told} without a level", expected, "", "warning"))
    level = stage.get("supply.load_dump")
    if isinstance(level, Band):
        system, own = told[:4], told[-1]
        border = _SUPPRESSED_BELOW[system]
        like = "A" if level.low > border else "B" if level.high < border else own
        if like != own:
            entry = STAGE["supply.load_dump"]
            ends = dict.fromkeys((shown_as(level.low, entry), shown_as(level.high, entry)))
            expected = (
                f"{'less' if own == 'B' else 'more'} than {shown_as(border, entry)} in test {own}: the class decides "
                "in supply.surge-standoff whether a suppressor must stay silent"
            )
            at = f"{told} at {'..'.join(ends)}"
            found.append(Doubt(_TEST, at, expected, f"{system} test {like}", "warning"))
    if isinstance(supply, Band):
        system = "12 V" if supply.typ < 18 else "24 V"
        if not told.startswith(system):
            at = f"{told} at a supply of {shown_as(supply.typ, STAGE['supply.voltage'])}"
            other = told.replace(told[:4], system)
            found.append(Doubt(_TEST, at, f"a test of the {system} system", other, "warning"))
    return found


def odd_rate(name: str, rate: Band) -> Doubt | None:
    """A rate of a failure mode as no part has it."""
    dimension = "failure rate"
    entry = Parameter(name, dimension, "failure rate")
    low, high = (parse(text, dimension).value for text in RATES)
    return _beyond(name, entry, _ends(rate), (low, high))


def odd_courses(courses: Iterable[StatedCourse], stage: Mapping[str, Value]) -> list[Doubt]:
    """Points of the supply's courses that are no dip, or no rise, beside the supply in operation."""
    supply = stage.get("supply.voltage")
    if not isinstance(supply, Band):
        return []
    found = []
    for course in courses:
        name = f"courses.{course.name}"
        levels = [level for _, level in course.points]
        for n, level in enumerate(levels):
            if course.kind == "starting" and level.low > supply.high:
                found.append(_no_part(name, n, level.low, "at most the highest", supply.high))
            if course.kind == "load dump" and level.high < supply.low:
                found.append(_no_part(name, n, level.high, "at least the lowest", supply.low))
        top = max(range(len(levels)), key=lambda n: levels[n].high)
        if course.kind == "load dump" and levels[top].high <= supply.high:
            found.append(_no_part(name, top, levels[top].high, "above the highest", supply.high))
    return found


def _no_part(name: str, point: int, level: Fraction, words: str, limit: Fraction) -> Doubt:
    entry = STAGE["supply.voltage"]
    why = "a load dump is a rise" if "most" not in words else "a starting profile is a dip"
    return Doubt(
        name,
        f"a point of {shown_as(level, entry)}",
        f"{words} supply.voltage, {shown_as(limit, entry)}: {why}",
        "",
        "warning",
        point,
    )
