"""Time courses of the supply that a stage states: how a starting profile dips, how a load dump rises.

    courses:
      cold_start: {kind: starting, points: {0 s: 12 V, 5 ms: 5.5 / 6 / 6.5 V, 20 ms: 8 V, 1 s: 12 V}}
      dump: {kind: load dump, resistance: 2 ohm, points: {0 s: 14 V, 5 ms: 60 V, 200 ms: 14 V}}

Between two points the supply runs straight. No course is built in: levels come from a specification.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from fractions import Fraction

from regmap.record import dataclass

from ..document.reader import Reader
from ..document.schema import OneOf, Qty, QuantityShape, Rec, Record, Scalar, Table
from ..document.source import Sources
from ..quantity import Band

#: The input that stands for the lowest level of a starting profile; a stated course fills it.
CRANK = "supply.crank"

KINDS = {
    "starting": "a dip while the engine starts",
    "load dump": "a rise while the generator loses its load",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class StatedCourse:
    """One course as the stage states it: (time in s, voltage) in order, the source's resistance or None."""

    name: str
    kind: str
    points: tuple[tuple[Fraction, Band], ...]
    resistance: Band | None
    origin: str


def lowest_level(courses: Iterable[StatedCourse]) -> tuple[Band, str] | None:
    """The lowest level of all starting profiles, and which profile it is from; None without one.

    Each end of the band is the lowest of that end over all points.
    """
    found = [
        (level, course)
        for course in courses
        if course.kind == "starting"
        for _, level in course.points
    ]
    if not found:
        return None
    levels = [level for level, _ in found]
    _, course = min(found, key=lambda item: item[0].low)
    band = Band(
        min(b.low for b in levels),
        min(b.typ for b in levels),
        min(b.high for b in levels),
        levels[0].dim,
    )
    return band, f"{course.origin}, lowest level of courses.{course.name}"


def courses_shape(name: Scalar) -> Table:
    """The section `courses` of a stage."""
    course = Record(
        {
            "kind": (OneOf(list(KINDS)), True, "; ".join(f"{k}: {v}" for k, v in KINDS.items())),
            "points": (
                Table(
                    QuantityShape("time", "zero or more"),
                    Qty("voltage", "zero or more"),
                    "supply voltages by time, at least two",
                ),
                True,
                "supply voltage (of a load dump the open circuit's) at these times, straight between them",
            ),
            "resistance": (
                Qty("resistance", "more than zero"),
                False,
                "source resistance of a load dump, for what a suppressor takes of it",
            ),
        },
        "a course",
    )
    return Table(name, course, "courses by name")


def courses_of(table: Mapping[str, Rec], reader: Reader) -> tuple[StatedCourse, ...]:
    """The courses of a stage; what is wrong is told at its place."""
    found = []
    for name, item in table.items():
        if "kind" not in item or "points" not in item:
            continue
        path, stated = f"courses.{name}.points", item["points"]
        points = [(Fraction(time), level) for time, level in stated.items()]
        times = [time for time, _ in points]
        late = next((n for n in range(1, len(times)) if times[n] <= times[n - 1]), None)
        if times and times[0] < 0:
            reader.complain(
                next(iter(stated.key_nodes.values())), path, "a time below zero", "0 s or later"
            )
            continue
        if late is not None:
            key = list(stated.key_nodes.values())[late]
            reader.complain(key, path, "a point before the one above it", "times in their order")
            continue
        if len(points) < 2:
            reader.complain(item.value_nodes["points"], path, "less than two points", "two or more")
            continue
        origin = Sources.origin(item.value_nodes["points"])
        found.append(
            StatedCourse(
                name=name,
                kind=item["kind"],
                points=tuple(points),
                resistance=item.get("resistance"),
                origin=origin,
            )
        )
    return tuple(found)
