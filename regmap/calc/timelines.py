"""Timelines by name, as one shape for screens, programs and pictures: a PWM period, a start, the way to sleep.

found = timeline_of(inputs, "startup")
found.groups, found.end, found.limit, found.missing
"""

from __future__ import annotations

from typing import Literal

from regmap.record import dataclass

from ..errors import CallError
from . import period, startup
from .corner import Variable
from .duty import Direction, Side
from .inputs import Inputs
from .work import About, Work

Which = Literal["low", "high", "startup", "sleep"]
WHICH: tuple[Which, ...] = ("low", "high", "startup", "sleep")


@dataclass(frozen=True, slots=True)
class Moment:
    """An instant with its tolerance; where it ends a phase, when that began (None: with the whole) and how long it takes."""

    name: str
    time: Variable
    kind: str
    since: Variable | None = None
    span: Variable | None = None

    def json(self) -> dict[str, object]:
        """A plain object; times in seconds."""
        told = self.span or self.time
        return {
            "name": self.name,
            "phase": self.kind,
            "time_s": _band(self.time),
            "takes_s": None if self.span is None else _band(self.span),
            "formula": " = ".join(told.step()[0].split(" = ")[:2]) if told.formula else None,
            "comes_from": sources(told),
        }


@dataclass(frozen=True, slots=True)
class Group:
    """Entries under one heading; on a picture their axis begins at `zero` seconds."""

    title: str
    entries: tuple[Moment, ...]
    zero: float = 0.0


@dataclass(frozen=True, slots=True)
class Timeline:
    """Instants in their order. `missing` are inputs without which some are left out.

    `end` is what `limit` holds, where the stage states one. `period` is what a PWM period is of.
    """

    which: Which
    title: str
    counted: str
    groups: tuple[Group, ...]
    end: Moment | None = None
    limit: Variable | None = None
    missing: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    period: period.Period | None = None

    def json(self) -> dict[str, object]:
        """A plain object; times in seconds."""
        return {
            "which": self.which,
            "title": self.title,
            "counted": self.counted,
            "instants": [e.json() for g in self.groups for e in g.entries],
            "end": None if self.end is None else self.end.json(),
            "limit_s": None if self.limit is None else _band(self.limit),
            "missing": list(self.missing),
            "notes": list(self.notes),
            "period": None if self.period is None else self.period.json(),
        }


def _band(variable: Variable) -> dict[str, float]:
    return {
        "min": float(variable.low),
        "typ": float(variable.typ),
        "max": float(variable.high),
    }


def sources(variable: Variable) -> list[str]:
    """Where a variable comes from: the origins of its inputs, or the publication of its formula."""
    found: dict[str, None] = {}
    for part in variable.tree():
        if part.formula is None:
            said = part.origin.origin if part.origin else part.note
        else:
            said = part.formula.source
        found[said] = None
    return [said for said in found if said]


def timeline_of(
    inputs: Inputs, which: Which, *, duty: str = "", current: Direction | None = None
) -> Timeline:
    """The timeline of that name; `duty` and `current` are of a PWM period (see `period.timeline`).

    Raises CallError where the inputs tell of none.
    """
    if which in ("low", "high"):
        side: Side = "low" if which == "low" else "high"
        return of_period(period.timeline(inputs, side, duty=duty, current=current))
    if duty or current:
        raise CallError(f"a duty or a direction of the current for {which!r}", "low or high")
    return _powering(inputs, which)


_PHASES = (("on", "turn-on"), ("sense", "current sense"), ("off", "turn-off"))


def of_period(found: period.Period) -> Timeline:
    """A PWM period in the shape of all timelines."""
    groups = []
    for phase, title in _PHASES:
        here = [i for i in found.instants if i.phase == phase]
        zero = next((float(i.time.typ) for i in here if i.name == period.EDGE_OFF), 0.0)
        entries = tuple(Moment(i.name, i.time, i.phase) for i in here)
        groups += [Group(title, entries, zero)] if here else []
    return Timeline(
        found.side,
        found.title,
        "from the input edge that turns the switch on",
        tuple(groups),
        missing=found.missing,
        notes=(
            *((found.idle,) if found.idle else (found.role,)),
            *(limit.told for limit in found.limits),
            *found.notes,
        ),
        period=found,
    )


_WORDS = {
    "startup": ("start-up", "from power-on", "limits.startup"),
    "sleep": ("way to sleep", "from the last PWM edge", "limits.sleep_time"),
}


def _powering(inputs: Inputs, which: Which) -> Timeline:
    way: startup.Way = "startup" if which == "startup" else "sleep"
    found = startup.timeline(inputs, way)
    title, counted, limit = _WORDS[way]
    entries = tuple(Moment(p.name, p.end, p.kind, p.start, p.span) for p in found.phases)
    return Timeline(
        which,
        title,
        counted,
        (Group("phases", entries),),
        None if found.end is None else Moment(found.ends_with, found.end, "PWM"),
        Work(About(way, title, ""), inputs).maybe("limit", f"stage:{limit}"),
        found.missing,
        found.notes,
    )
