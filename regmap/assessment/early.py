"""Better settings found early, before it is known which settings move which goal, and what is best.

The goals that are worst off go first. For each, the variables that its check may look at are tried, a few
codes of each: first what the goal itself says there, then, from the most it gains (and from what moves the fewest
others, by the smallest step), whether any other goal would lose what weighs more (`order`). What passes is taken at once.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping

from .order import LOST
from .search import Choosable, Codes, Goal, better

#: Codes of a variable that are tried beside its neighbours.
_SPREAD = 4


def early(
    variables: Mapping[int, Choosable],
    goals: list[Goal],
    start: Mapping[int, int],
    cap: float,
    took: Callable[[Mapping[int, int]], None],
    tick: Callable[[], None],
    pulse: Callable[[], None],
) -> None:
    """Tell `took` of ever better codes, beginning at `start`.

    `tick` is called for each code that is tried, `pulse` for each margin that is looked up; both may raise.
    """
    codes = dict(start)
    touching: dict[int, list[Goal]] = {n: [] for n in variables}
    for goal in goals:
        for n in goal.scope:
            touching[n].append(goal)

    def at(goal: Goal, there: Mapping[int, int]) -> float:
        pulse()
        return min(goal.worth(tuple(there[n] for n in goal.scope)), cap)

    for target in sorted((g for g in goals if g.scope), key=lambda g: at(g, codes)):
        now, found = at(target, codes), []
        for n in target.scope if now < cap else ():
            for near, code in enumerate(_few(variables[n], codes[n])):
                tick()
                worth = at(target, {**codes, n: code})
                if worth > now:
                    found.append((-worth, len(touching[n]), n, near, code))
        for *_, n, _, code in sorted(found):
            there = {**codes, n: code}
            if _gains(touching[n], codes, there, at, min(now, LOST)):
                codes = there
                took(codes)
                break


def _gains(
    goals: list[Goal],
    here: Mapping[int, int],
    there: Mapping[int, int],
    at: Callable[[Goal, Mapping[int, int]], float],
    floor: float,
) -> bool:
    """Whether these goals are better `there`, and none falls below `floor`; asked no further than needed."""
    was, now = [], []
    for goal in sorted(goals, key=lambda g: at(g, here)):
        was.append(at(goal, here))
        now.append(at(goal, there))
        if now[-1] < min(was[-1], floor):
            return False
    return better(_sorted(now), _sorted(was))


def _sorted(worths: list[float]) -> tuple[float, ...]:
    return tuple(sorted(w for w in worths if w != math.inf))


def _few(variable: Choosable, code: int) -> Iterator[int]:
    """The next codes on either side, and a few others evenly spread."""
    order: Codes = variable.order or variable.codes
    place = order.index(code) if code in order else 0
    step = max(1, (len(order) - 1) // _SPREAD)
    places = {place - 1, place + 1, *range(0, len(order), step), len(order) - 1} - {place}
    for p in sorted(places, key=lambda p: (abs(p - place), p)):
        if 0 <= p < len(order):
            yield order[p]
