"""Why goals are missed: sets of goals that no settings meet together, from which none can be left out.

A goal that the stage meets is met where nothing of it is lost (`order.held`); one that it misses, where it does
not fail any more.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence

from regmap.record import dataclass

from .order import held
from .problem import GoalProblem
from .proposal import Clash, Conflict
from .search import Choosable, Codes, Goal, Judged, Search, TooLongError

#: Sets of conflicting goals that are worked out, beside goals that no field moves.
MOST_CONFLICTS = 8


@dataclass(slots=True)
class Conflicts:
    """The conflicts of a problem at settings that miss goals. `bases` is what the stage has, by goal.

    `pulse` is called at each step, and may raise TooLongError: then `found` has those found so far.
    """

    problem: GoalProblem
    parts: Sequence[list[int]]
    bases: Mapping[str, Judged]
    pulse: Callable[[], None]
    found: list[Conflict]

    def seek(self, codes: Mapping[int, int]) -> bool:
        """Find them; False where there are more."""
        titles = dict(zip((g.name for g in self.problem.goals), self.problem.titles, strict=True))
        ordered = tuple(codes[n] for n in range(len(codes)))
        goals = [Goal(g.name, g.scope, self._short_of(g)) for g in self.problem.goals]
        plain = {g.name: g for g in self.problem.goals}
        for goal in goals:
            if not goal.scope and goal.margin(()) < 0:
                clash = Clash(goal.name, titles[goal.name], plain[goal.name].margin(()))
                self.found.append(Conflict((clash,), (), self._held([goal], ordered)))
        most = len(self.found) + MOST_CONFLICTS
        for part in self.parts:
            inside = set(part)
            variables = {n: self.problem.variables[n] for n in part}
            pool = [g for g in goals if inside & set(g.scope)]
            here = {n: codes[n] for n in part}
            while not self._satisfiable(variables, pool, here):
                if len(self.found) >= most:
                    return False
                core = self._core(variables, pool, here)
                clashes = [
                    self._clash(variables, core, g, plain[g.name], titles[g.name]) for g in core
                ]
                fields = sorted({n for g in core for n in g.scope})
                names = tuple(variables[n].name for n in fields)
                self.found.append(Conflict(tuple(clashes), names, self._held(core, ordered)))
                pool = [g for g in pool if g not in core]
                here = Search(variables, pool, cap=0.0, tick=self.pulse, pulse=self.pulse).climb(
                    here
                )
        return True

    def _short_of(self, goal: Goal) -> Callable[[Codes], float]:
        """By how much a goal is met."""

        def work(codes: Codes) -> float:
            now = goal.judged(codes)
            return now.margin - self._keeps(goal.name, now)

        return work

    def _keeps(self, goal: str, now: Judged) -> float:
        """The margin that a goal may not lose; one that fails and nobody asked for only may not fail by more."""
        base = self.bases[goal]
        if goal in self.problem.guards and base.margin < 0:
            return base.margin
        return held(now, base, all_of_it=goal in self.problem.unloosened)

    def _held(self, goals: Iterable[Goal], codes: Codes) -> dict[str, str]:
        """The fields that would move these goals and are kept, or not loosened, with why: those that were seen to."""
        found: dict[str, str] = {}
        for goal in goals:
            waiting = dict(self.problem.held.get(goal.name, {}))
            for n in goal.scope:
                name = self.problem.variables[n].name
                if name in self.problem.guarded:
                    waiting[name] = self.problem.guarded[name]
            for name, why in waiting.items():
                if name not in found:
                    self.pulse()
                    if self.problem.would(goal.name, name, codes):
                        found[name] = why
        return found

    def _satisfiable(
        self, variables: Mapping[int, Choosable], goals: Sequence[Goal], here: Mapping[int, int]
    ) -> bool:
        if all(_at(g, here) >= 0 for g in goals):
            return True
        return self._search(variables, goals, 0.0).best(0.0) is not None

    def _search(
        self, variables: Mapping[int, Choosable], goals: Sequence[Goal], cap: float
    ) -> Search:
        used = {n for g in goals for n in g.scope}
        return Search(
            {n: variables[n] for n in sorted(used)},
            goals,
            cap=cap,
            ties=False,
            tick=self.pulse,
            pulse=self.pulse,
        )

    def _core(
        self, variables: Mapping[int, Choosable], goals: list[Goal], here: Mapping[int, int]
    ) -> list[Goal]:
        """A set of goals that cannot be met together while any of its smaller sets can.

        Settings that even out the margins miss most goals of a conflict at once: it is sought
        among what `here` misses first, then among ever more goals by their margin.
        """
        ordered = sorted(goals, key=lambda g: _at(g, here))
        missed = [g for g in ordered if _at(g, here) < 0]
        for goal in missed:
            if not self._satisfiable(variables, [goal], here):
                return [goal]
        count = max(2, len(missed))
        while count < len(ordered) and self._satisfiable(variables, ordered[:count], here):
            count = min(len(ordered), max(count + 2, count * 3 // 2))
        core = ordered[:count]
        for goal in reversed(ordered[:count]):
            rest = [g for g in core if g is not goal]
            if not self._satisfiable(variables, rest, here):
                core = rest
        return core

    def _clash(
        self,
        variables: Mapping[int, Choosable],
        core: list[Goal],
        goal: Goal,
        plain: Goal,
        title: str,
    ) -> Clash:
        """The largest margin of one goal while the others of the core are met, and what it would keep."""
        others = [Goal(g.name, g.scope, _all_or_nothing(g)) for g in core if g is not goal]
        found = self._search(variables, [goal, *others], 0.0).best()
        if found is None or not found.vector or found.vector[0] == -math.inf:
            return Clash(goal.name, title, -math.inf)
        now = plain.judged(tuple(found.codes[n] for n in goal.scope))
        return Clash(goal.name, title, now.margin, self._keeps(goal.name, now))


def why_missed(
    problem: GoalProblem,
    parts: Sequence[list[int]],
    bases: Mapping[str, Judged],
    codes: Mapping[int, int],
    pulse: Callable[[], None],
) -> tuple[list[Conflict], bool]:
    """The conflicts at these codes, and whether these are all."""
    work = Conflicts(problem, parts, bases, pulse, [])
    try:
        return work.found, work.seek(codes)
    except TooLongError:
        return work.found, False


def _at(goal: Goal, codes: Mapping[int, int]) -> float:
    return goal.margin(tuple(codes[n] for n in goal.scope))


def _all_or_nothing(goal: Goal) -> Callable[[Codes], float]:
    return lambda codes: 0.0 if goal.margin(codes) >= 0 else -math.inf
