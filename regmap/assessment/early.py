"""Better settings found early, before it is known which settings move which goal, and what is best.

What fails goes first, the gravest before the milder. Of each, the variables that its check may look at are tried for
the least change that mends it: at both ends, and between what does and what does not by halves. Where something
else begins to fail for it, the least change of a second and a third variable that mends that is looked for (a slower
turn-off wants a longer dead time). A change is taken where no other goal loses what weighs more (`order`) and no
more fail. Then the goals that are worst off are raised step by step, by a few codes of each variable.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping

from .order import LOST
from .search import Choosable, Codes, Goal, better

#: Codes of a variable that are tried beside its neighbours.
_SPREAD = 4
#: Variables that are changed at once, at most: the one that mends, and those that mend what it breaks.
_MOST_CHANGED = 3


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
    work = _Early(variables, goals, start, cap, took, tick, pulse)
    work.mend_all()
    work.raise_all()


class _Early:
    def __init__(
        self,
        variables: Mapping[int, Choosable],
        goals: list[Goal],
        start: Mapping[int, int],
        cap: float,
        took: Callable[[Mapping[int, int]], None],
        tick: Callable[[], None],
        pulse: Callable[[], None],
    ) -> None:
        self.variables, self.goals, self.codes = variables, goals, dict(start)
        self.cap, self.took, self.tick, self.pulse = cap, took, tick, pulse
        self.touching: dict[int, list[Goal]] = {n: [] for n in variables}
        for goal in goals:
            for n in goal.scope:
                self.touching[n].append(goal)
        #: how often a goal forbade a change: those are asked first
        self.forbade: dict[int, int] = {}

    def worth(self, goal: Goal, there: Mapping[int, int]) -> float:
        self.pulse()
        return min(goal.worth(_at(goal, there)), self.cap)

    def fails(self, goal: Goal, there: Mapping[int, int]) -> bool:
        self.pulse()
        return goal.margin(_at(goal, there)) < 0

    # --- what fails --------------------------------------------------------------------------
    def mend_all(self) -> None:
        failing = [g for g in self.goals if g.scope and g.counts and self.fails(g, self.codes)]
        # of one class what falls short by little first: that is mended most easily
        for target in sorted(
            failing, key=lambda g: (self._floor(g), -g.margin(_at(g, self.codes)))
        ):
            if self.fails(target, self.codes):
                self._mend(target, self._floor(target))

    def _floor(self, target: Goal) -> float:
        """What its failing weighs: whether it does stands beside by how much, as a goal of its own."""
        named = [g for g in self.goals if g.name == target.name]
        return min(LOST, *(self.worth(g, self.codes) for g in named))

    def _mend(self, target: Goal, floor: float) -> None:
        """The first of the least changes that mend the target and cost nothing that weighs more."""
        for n, code in self._menders(target, self.codes, ()):
            there = {**self.codes, n: code}
            mended = self._with_repairs(there, (n,), floor)
            if mended is not None:
                self.codes = mended
                self.took(self.codes)
                return

    def _menders(
        self, goal: Goal, here: Mapping[int, int], without: Iterable[int]
    ) -> list[tuple[int, int]]:
        """(variable, code) of the least changes by which a goal fails no more, those that move the fewest first."""
        found = []
        for n in goal.scope:
            if n in without:
                continue
            order = _order(self.variables[n])
            place = order.index(here[n]) if here[n] in order else 0
            for end in {0, len(order) - 1} - {place}:
                self.tick()
                if self.fails(goal, {**here, n: order[end]}):
                    continue
                bad, good = place, end
                while abs(good - bad) > 1:
                    middle = (bad + good) // 2
                    if self.fails(goal, {**here, n: order[middle]}):
                        bad = middle
                    else:
                        good = middle
                found.append((len(self.touching[n]), abs(good - place), n, order[good]))
        return [(n, code) for _, _, n, code in sorted(found)]

    def _with_repairs(
        self, there: dict[int, int], changed: tuple[int, ...], floor: float
    ) -> dict[int, int] | None:
        """These codes, with what else must change so that nothing that weighs more is lost; None where there is no such."""
        touched = self._touched(changed)
        broken = self._gains(touched, there, floor)
        if broken is None:
            return there
        if len(changed) < _MOST_CHANGED and broken and not self.fails(broken[0], self.codes):
            for m, code in self._menders(broken[0], there, changed):
                repaired = self._with_repairs({**there, m: code}, (*changed, m), floor)
                if repaired is not None:
                    return repaired
        return None

    def _touched(self, changed: Iterable[int]) -> list[Goal]:
        found = {id(g): g for n in changed for g in self.touching[n]}
        return sorted(
            found.values(), key=lambda g: (-self.forbade.get(id(g), 0), self.worth(g, self.codes))
        )

    def _gains(
        self, goals: list[Goal], there: Mapping[int, int], floor: float
    ) -> list[Goal] | None:
        """None where these goals are better `there`; else the goal that forbids it, or none where nothing is better.

        Asked no further than needed: a goal that falls below `floor` forbids, as does one more that fails.
        """
        was, now, fewer, begins = [], [], 0, []
        for goal in goals:
            was.append(self.worth(goal, self.codes))
            now.append(self.worth(goal, there))
            if goal.counts:
                fewer += self.fails(goal, self.codes)
                if self.fails(goal, there):
                    fewer -= 1
                    if not self.fails(goal, self.codes):
                        begins.append(goal)
            if now[-1] < was[-1] and now[-1] <= floor:
                self.forbade[id(goal)] = self.forbade.get(id(goal), 0) + 1
                return [goal]
        if fewer < 0:
            return begins
        return None if better(_sorted(now), _sorted(was)) else []

    # --- what is worst off ---------------------------------------------------------------------
    def raise_all(self) -> None:
        for target in sorted(
            (g for g in self.goals if g.scope), key=lambda g: self.worth(g, self.codes)
        ):
            now, found = self.worth(target, self.codes), []
            for n in target.scope if now < self.cap else ():
                for near, code in enumerate(_few(self.variables[n], self.codes[n])):
                    self.tick()
                    worth = self.worth(target, {**self.codes, n: code})
                    if worth > now:
                        found.append((-worth, len(self.touching[n]), n, near, code))
            for *_, n, _, code in sorted(found):
                there = {**self.codes, n: code}
                if self._gains(self._touched((n,)), there, min(now, LOST)) is None:
                    self.codes = there
                    self.took(self.codes)
                    break


def _at(goal: Goal, there: Mapping[int, int]) -> Codes:
    return tuple(there[n] for n in goal.scope)


def _order(variable: Choosable) -> Codes:
    return variable.order or variable.codes


def _sorted(worths: list[float]) -> tuple[float, ...]:
    return tuple(sorted(w for w in worths if w != math.inf))


def _few(variable: Choosable, code: int) -> Iterator[int]:
    """The next codes on either side, and a few others evenly spread."""
    order = _order(variable)
    place = order.index(code) if code in order else 0
    step = max(1, (len(order) - 1) // _SPREAD)
    places = {place - 1, place + 1, *range(0, len(order), step), len(order) - 1} - {place}
    for p in sorted(places, key=lambda p: (abs(p - place), p)):
        if 0 <= p < len(order):
            yield order[p]
