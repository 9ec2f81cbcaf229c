"""An exact search for the settings with the largest smallest margin; knows no chip.

A problem is a list of variables, each with the codes it may take, and a list of goals, each with
the few variables it looks at and a margin for their codes. Sought are the codes whose margins,
sorted with the smallest first, are the largest in the order of words in a dictionary: first the
smallest margin counts, among equals the second smallest, and so on. So no goal is left worse than
needed only because another one is the bottleneck. A margin beyond `enough` counts as `enough`: a
goal that is met with plenty is no reason to change anything.

Ties are broken towards the current codes (the fewest changes, then the fewest steps away from
them), then towards the smaller codes in the order of the variables.

How: variables are split into groups that share no goal, and again whenever a variable has been
fixed (what that leaves independent is solved on its own, and remembered by the codes it depends
on). Every margin is worked out once. A branch is left as soon as the best that each goal could
still reach is worse than what has been found. The order of sorted margins survives adding the
same margins on both sides, which is what makes solving the parts apart exact.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Iterable, Mapping, Sequence
from itertools import product
from typing import NamedTuple

from regmap.record import dataclass, field

#: Combinations that are tried to bound one goal; beyond, the goal is taken to reach anything.
BOUND_LIMIT = 600
#: Combinations of one goal that are worked through to drop codes before the search.
FILTER_LIMIT = 6000

#: Below every margin but that of a rule broken or a goal lost.
_LOWEST = -sys.float_info.max

Codes = tuple[int, ...]
Vector = tuple[float, ...]


@dataclass(frozen=True, slots=True)
class Choosable:
    """A variable: the codes that it may take, and the one that it has now.

    `order` are the same codes in the order of what they mean (of the codes where not given); steps
    between two codes are counted in it.
    """

    name: str
    codes: Codes
    current: int
    order: Codes = ()

    def steps(self, code: int) -> int:
        """How far a code is from the current one; 0 where the current one is none of the codes."""
        order = self.order or self.codes
        return abs(order.index(code) - order.index(self.current)) if self.current in order else 0


class Judged(NamedTuple):
    """A margin, and how much of it is needed to hold: less is a low margin."""

    margin: float
    need: float = 0.0


@dataclass(slots=True)
class Goal:
    """Something to be met: `work` gives the margin for the codes of the variables in `scope`, with what
    is needed of it or alone.

    A margin below 0 is not met; minus infinity is a rule broken or a goal lost, plus infinity one
    that asks for nothing. Margins are kept, rounded to 12 digits: the rest is noise, not a reason.
    `weigh` makes of a margin what it is worth in the search, never less for a larger margin. One that
    `counts` is looked at where the number of missed goals may not rise.
    """

    name: str
    scope: tuple[int, ...]
    work: Callable[[Codes], float | Judged]
    known: dict[Codes, Judged] = field(default_factory=dict)
    weigh: Callable[[Judged], float] | None = None
    counts: bool = False

    def worth(self, codes: Codes) -> float:
        """What the margin is worth; the margin itself where nothing weighs it."""
        found = self.judged(codes)
        return found.margin if self.weigh is None else self.weigh(found)

    def margin(self, codes: Codes) -> float:
        return self.judged(codes).margin

    def over(self, codes: Mapping[int, int]) -> Judged:
        """Its margin where these are the codes of all variables."""
        return self.judged(tuple(codes[n] for n in self.scope))

    def judged(self, codes: Codes) -> Judged:
        found = self.known.get(codes)
        if found is None:
            made = self.work(codes)
            margin, need = made if isinstance(made, Judged) else (made, 0.0)
            found = self.known[codes] = Judged(float(f"{margin:.12g}"), float(f"{need:.12g}"))
        return found


class TooLongError(Exception):
    """The budget of steps is used up; what has been found is not proven to be the best."""


@dataclass(frozen=True, slots=True)
class SearchResult:
    """The best of one part: its sorted margins (those that ask for something) and its codes.

    `away` is how far the codes are from the current ones: (changes, steps).
    """

    vector: Vector
    away: tuple[int, int]
    codes: Mapping[int, int]


def groups(count: int, scopes: Iterable[Sequence[int]]) -> list[list[int]]:
    """The numbers below `count` in groups that no scope connects, in order of the first member."""
    parent = list(range(count))

    def root(n: int) -> int:
        while parent[n] != n:
            parent[n] = parent[parent[n]]
            n = parent[n]
        return n

    for scope in scopes:
        for other in scope[1:]:
            parent[root(other)] = root(scope[0])
    found: dict[int, list[int]] = {}
    for n in range(count):
        found.setdefault(root(n), []).append(n)
    return sorted(found.values())


class Search:
    """One group of variables with its goals. Margins are cut off at `cap`.

    With `ties` off, any codes with the best margins will do; together with a cap of 0 that asks
    only whether all goals can be met. `tick` is called with every step, `pulse` for every margin that
    is looked up on the way; both may raise TooLongError.
    """

    def __init__(
        self,
        variables: Mapping[int, Choosable],
        goals: Sequence[Goal],
        *,
        cap: float = math.inf,
        ties: bool = True,
        tick: Callable[[], None] | None = None,
        pulse: Callable[[], None] | None = None,
    ) -> None:
        self.variables = dict(variables)
        self.goals = list(goals)
        self.cap = cap
        self.ties = ties
        self.tick = tick or (lambda: None)
        self.pulse = pulse or (lambda: None)
        self.domains: dict[int, Codes] = {n: v.codes for n, v in self.variables.items()}
        self.touching: dict[int, list[int]] = {n: [] for n in self.variables}
        for index, goal in enumerate(self.goals):
            for n in goal.scope:
                self.touching[n].append(index)
        self.alive = list(range(len(self.goals)))
        self.pinned: dict[int, float] = {}
        self._bounds: dict[tuple[int, tuple[int | None, ...]], float] = {}
        self._solved: dict[
            tuple[tuple[int, ...], tuple[int | None, ...]], tuple[float, SearchResult | None]
        ] = {}
        self.reached: dict[int, int] = {}
        self._shape: dict[tuple[tuple[int, ...], int], list[tuple[int, ...]]] = {}

    # --- margins and bounds -----------------------------------------------------------------
    def margin(self, index: int, codes: Mapping[int, int]) -> float:
        return self._of(index, tuple(codes[n] for n in self.goals[index].scope))

    def _of(self, index: int, codes: Codes) -> float:
        """The margin that counts: cut off at the cap; all or nothing where it is pinned."""
        margin = self.goals[index].worth(codes)
        if index in self.pinned:
            return math.inf if margin >= self.pinned[index] else -math.inf
        return min(margin, self.cap)

    def missed(self, codes: Mapping[int, int], indices: Iterable[int] | None = None) -> int:
        """How many of the goals that count are missed."""
        return sum(
            g.margin(tuple(codes[n] for n in g.scope)) < 0
            for i in (range(len(self.goals)) if indices is None else indices)
            if (g := self.goals[i]).counts
        )

    def vector(self, codes: Mapping[int, int], indices: Iterable[int] | None = None) -> Vector:
        """The sorted margins of complete codes; goals that ask for nothing are left out."""
        numbers = self.alive if indices is None else indices
        margins = (self.margin(i, codes) for i in numbers)
        return tuple(sorted(m for m in margins if m != math.inf))

    def bound(self, index: int, codes: Mapping[int, int]) -> float:
        """The largest margin that a goal can still reach, or infinity where that takes too long."""
        goal = self.goals[index]
        key = (index, tuple(codes.get(n) for n in goal.scope))
        found = self._bounds.get(key)
        if found is None:
            spans = [(codes[n],) if n in codes else self.domains[n] for n in goal.scope]
            if math.prod(map(len, spans)) > BOUND_LIMIT:
                found = math.inf if index in self.pinned else self.cap
            else:
                found = -math.inf
                for combination in product(*spans):
                    self.pulse()
                    found = max(found, self._of(index, combination))
                    if found >= self.cap:
                        break
            self._bounds[key] = found
        return found

    # --- the whole group --------------------------------------------------------------------
    def best(
        self, floor: float = -math.inf, start: Mapping[int, int] | None = None
    ) -> SearchResult | None:
        """The best codes, or None where no codes have a smallest margin of at least `floor`.

        `start` are good codes, if known; without them only `floor` narrows the search.
        """
        settled: list[float] = []
        while True:
            if start is not None:
                start = self.climb(start)
                floor = max(floor, *(self.vector(start)[:1] or (_LOWEST,)))
            self.narrow(floor)
            if not all(self.domains.values()) or any(
                self.margin(i, {}) < floor for i in self._without_scope()
            ):
                return None
            # What cannot exceed the floor stands at it in every candidate left, and decides
            # nothing any more; the others may then be asked for more.
            stuck = [i for i in self.alive if i not in self.pinned and self._stuck(i, floor)]
            settled += [floor] * len(stuck)
            self._pin(stuck, floor)
            if start is None or not stuck:
                break
            floor = -math.inf
        found = self._parts(tuple(sorted(self.variables)), {}, floor)
        if found is None:
            return None
        constant = [m for i in self._without_scope() if (m := self.margin(i, {})) != math.inf]
        return SearchResult(
            tuple(sorted([*found.vector, *constant, *settled])), found.away, found.codes
        )

    def _without_scope(self) -> list[int]:
        return [i for i in self.alive if not self.goals[i].scope]

    def _spans(self, index: int) -> list[Codes]:
        return [self.domains[n] for n in self.goals[index].scope]

    def _stuck(self, index: int, floor: float) -> bool:
        """Whether a goal cannot exceed the floor; False where that takes too long to tell."""
        if floor >= self.cap:
            return True
        spans = self._spans(index)
        if math.prod(map(len, spans)) > FILTER_LIMIT:
            return False
        return all(self._looked_up(index, c) <= floor for c in product(*spans))

    def _looked_up(self, index: int, codes: Codes) -> float:
        self.pulse()
        return self.goals[index].worth(codes)

    def _pin(self, indices: Iterable[int], floor: float) -> None:
        """From now on these goals only ask for the floor; those that have it anyway are let go."""
        gone = set()
        for i in indices:
            self.pinned[i] = floor
            spans = self._spans(i)
            if math.prod(map(len, spans)) <= FILTER_LIMIT and all(
                self._looked_up(i, c) >= floor for c in product(*spans)
            ):
                gone.add(i)
        self.alive = [i for i in self.alive if i not in gone]
        self.touching = {n: [i for i in t if i not in gone] for n, t in self.touching.items()}
        self._bounds.clear()

    def climb(self, start: Mapping[int, int], most: int = 0) -> dict[int, int]:
        """Good codes fast: one variable at a time, until none improves. Never worse than `start`.

        `reached` has the best so far, also while it runs. With `most`, only so many codes of each
        variable are tried, evenly spread over what they mean. At no step more goals that count are missed.
        """
        codes = self.reached = dict(start)
        moved = True
        while moved:
            moved = False
            for n, domain in self.domains.items():
                if most and len(domain) > most:
                    ordered = tuple(c for c in self.variables[n].order or domain if c in domain)
                    domain = ordered[:: -(-len(ordered) // most)]
                here = self.touching[n]
                best = (self.vector(codes, here), codes[n])
                missed = self.missed(codes, here)
                for code in domain:
                    self.tick()
                    there = {**codes, n: code}
                    vector = self.vector(there, here)
                    if better(vector, best[0]) and self.missed(there, here) <= missed:
                        best = (vector, code)
                if best[1] != codes[n]:
                    codes[n] = best[1]
                    moved = True
        return codes

    def narrow(self, floor: float) -> None:
        """Drop codes with which some goal by itself cannot reach `floor`; small goals first."""
        if floor == -math.inf:
            return
        floor = min(floor, self.cap)
        waiting = list(self.alive)
        while waiting:
            sizes = {i: math.prod(map(len, self._spans(i))) for i in waiting}
            index = min(waiting, key=lambda i: (sizes[i], i))
            waiting.remove(index)
            goal = self.goals[index]
            if not goal.scope or sizes[index] > FILTER_LIMIT:
                continue
            kept: list[set[int]] = [set() for _ in goal.scope]
            for combination in product(*self._spans(index)):
                self.tick()
                if self._of(index, combination) >= floor:
                    for codes, code in zip(kept, combination, strict=True):
                        codes.add(code)
            for n, codes in zip(goal.scope, kept, strict=True):
                self.domains[n] = tuple(c for c in self.domains[n] if c in codes)
        self._bounds.clear()

    # --- branching --------------------------------------------------------------------------
    def _parts(
        self, free: tuple[int, ...], codes: dict[int, int], floor: float
    ) -> SearchResult | None:
        """The best of free variables, part by independent part."""
        vector: list[float] = []
        away = (0, 0)
        chosen: dict[int, int] = {}
        for part in self._split(free):
            found = self._solve(part, codes, floor)
            if found is None:
                return None
            vector += found.vector
            away = _sum(away, found.away)
            chosen.update(found.codes)
        return SearchResult(tuple(sorted(vector)), away, chosen)

    def _split(self, free: tuple[int, ...], without: int = -1) -> list[tuple[int, ...]]:
        """The free variables (but one) in parts that share no goal."""
        known = self._shape.get((free, without))
        if known is None:
            left = [n for n in free if n != without]
            place = {n: i for i, n in enumerate(left)}
            indices = {i for n in left for i in self.touching[n]}
            scopes = [
                [place[n] for n in self.goals[i].scope if n in place] for i in sorted(indices)
            ]
            known = [tuple(left[i] for i in g) for g in groups(len(left), scopes)]
            self._shape[free, without] = known
        return known

    def _solve(
        self, part: tuple[int, ...], codes: dict[int, int], floor: float
    ) -> SearchResult | None:
        goals = sorted({i for n in part for i in self.touching[n]})
        around = sorted({n for i in goals for n in self.goals[i].scope} - set(part))
        key = (part, tuple(codes.get(n) for n in around))
        known = self._solved.get(key)
        if known is not None and (known[1] is not None or floor >= known[0]):
            return known[1]
        found = self._branch(part, goals, codes, floor)
        self._solved[key] = (floor, found)
        return found

    def _branch(
        self,
        part: tuple[int, ...],
        goals: list[int],
        codes: dict[int, int],
        floor: float,
    ) -> SearchResult | None:
        n = min(
            part,
            key=lambda m: (math.log(len(self.domains[m]) + 1) / (1 + len(self.touching[m])), m),
        )
        current = self.variables[n].current
        done = [
            i
            for i in goals
            if n in self.goals[i].scope and all(m == n or m in codes for m in self.goals[i].scope)
        ]
        rest = [i for i in goals if i not in set(done)]
        children = self._split(part, n)
        inside = [[i for i in rest if set(self.goals[i].scope) & set(c)] for c in children]
        candidates: list[tuple[Vector, tuple[int, int], int, Vector]] = []
        for code in self.domains[n]:
            self.tick()
            here = {**codes, n: code}
            fixed = self.vector(here, done)
            if fixed and fixed[0] < floor:
                continue
            reach = tuple(
                sorted([*fixed, *(b for i in rest if (b := self.bound(i, here)) != math.inf)])
            )
            if not reach or reach[0] >= floor:
                step = (int(code != current), self.variables[n].steps(code))
                candidates.append((reach, step, code, fixed))
        candidates.sort(key=lambda c: (_key(c[0]), c[1], c[2]))
        best: SearchResult | None = None
        forced = self._forced(m for m in part if m != n)
        for reach, step, code, fixed in candidates:
            if best is not None and not self._hopeful(reach, _sum(step, forced), best):
                continue
            here = {**codes, n: code}
            limit = max(floor, best.vector[0] if best is not None and best.vector else floor)
            vector, away, chosen = list(fixed), step, {n: code}
            alive = True
            for number, child in enumerate(children):
                found = self._solve(child, here, limit)
                if found is None:
                    alive = False
                    break
                vector += found.vector
                away = _sum(away, found.away)
                chosen.update(found.codes)
                if best is not None and number + 1 < len(children):
                    open_ones = {i for later in inside[number + 1 :] for i in later}
                    must = self._forced(m for later in children[number + 1 :] for m in later)
                    bounds = (self.bound(i, here) for i in open_ones)
                    reach = tuple(sorted([*vector, *(b for b in bounds if b != math.inf)]))
                    if not self._hopeful(reach, _sum(away, must), best):
                        alive = False
                        break
            if not alive:
                continue
            made = SearchResult(tuple(sorted(vector)), away, chosen)
            if best is None or self._beats(made, best, part):
                best = made
        return best

    def _forced(self, numbers: Iterable[int]) -> tuple[int, int]:
        """The least that these variables must be away from their current codes."""
        away = (0, 0)
        for m in numbers:
            variable, domain = self.variables[m], self.domains[m]
            if variable.current not in domain:
                away = _sum(away, (1, min(variable.steps(c) for c in domain)))
        return away

    def _hopeful(self, reach: Vector, away: tuple[int, int], best: SearchResult) -> bool:
        """Whether something with these bounds may still be better than the best."""
        if better(best.vector, reach):
            return False
        if better(reach, best.vector):
            return True
        return self.ties and away <= best.away

    def _beats(self, one: SearchResult, other: SearchResult, part: tuple[int, ...]) -> bool:
        if better(one.vector, other.vector):
            return True
        if better(other.vector, one.vector):
            return False
        return (one.away, [one.codes[n] for n in part]) < (
            other.away,
            [other.codes[n] for n in part],
        )


def _sum(a: tuple[int, int], b: tuple[int, int]) -> tuple[int, int]:
    return a[0] + b[0], a[1] + b[1]


def _key(vector: Vector) -> tuple[float, ...]:
    """Sort key for the largest first; a vector with fewer goals continues with infinities."""
    return (*(-m for m in vector), -math.inf)


def better(a: Vector, b: Vector) -> bool:
    """Whether sorted margins `a` are larger than `b`; what is missing at the end asks for nothing."""
    return _key(a) < _key(b)
