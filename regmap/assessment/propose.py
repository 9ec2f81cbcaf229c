"""Settings for a stage that make all its verdicts hold, the gravest first, with the largest smallest margin.

    proposal = propose(load_stage("motor.yaml"))
    proposal.feasible, proposal.changes          {"TIMING.DEAD_TIME": "1 us", ...}
    proposal.stage                               the stage with these settings

All fields whose role moves a verdict are searched together, and the result is exact (see
`search`). What it means when a check does not hold decides first (`calc.consequences`): what destroys
the bridge, then what leaves a protection without effect, then performance, then comfort. No verdict
is given up for one of a milder class, and one that holds stays at what it has (or at the margin asked
for) rather than pay for a milder one. Then low margins are mended in the same order. Margins of ENOUGH
and more count as equal, so that a setting is not moved for a verdict that already holds with plenty;
only where every verdict reaches that much is the smallest margin sought beyond it. Where no settings
meet all goals the proposal is the nearest there is, and `conflicts` names the goals that cannot be met
together: sets from which none can be left out. Every verdict that gets worse is in `worse`.

A field that a check not computed looks at is not searched, and a protection that the stage sets is
not loosened unasked (see `goals`): `kept`, `not_computed` and `not_loosened` name them.

After `seconds`, or when it is interrupted, the search gives the best so far, not `proven`.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Mapping, Sequence

from regmap.record import dataclass

from ..calc.consequences import CONSEQUENCES, consequence
from ..chip import values
from ..chip.bank import Bank
from ..stages.load import Stage
from .goals import GoalProblem, Looked, WiderError, problem_of
from .proposal import Clash, Conflict, Instead, Pick, Progress, Proposal, Worse, setting_text
from .search import Choosable, Codes, Goal, Search, TooLongError, better, groups
from .stage import Assessment, assess, bare

#: A margin with which a verdict counts as held with plenty.
ENOUGH = 0.5
#: Seconds after which a search ends likewise.
SECONDS = 60.0
#: Steps after which a search ends with the best found so far, not proven to be the best.
BUDGET = 600_000
#: Sets of conflicting goals that are worked out, beside goals that no field moves.
MOST_CONFLICTS = 8

_EVERY = 256


def propose(
    stage: Stage,
    *,
    free: Iterable[str] = (),
    keep: Iterable[str] = (),
    goals: Iterable[str] = (),
    loosen: Iterable[str] = (),
    enough: float = ENOUGH,
    budget: int = BUDGET,
    seconds: float = SECONDS,
    progress: Callable[[Progress], None] | None = None,
    stop: Callable[[], bool] | None = None,
) -> Proposal:
    """The best settings. `free`, `keep`, `goals` and `loosen` as in `goals.problem_of`.

    `stop` is asked at every step, and ends the search with the best so far. Raises CallError for names that mean nothing.
    """
    free, keep, goals, loosen = tuple(free), tuple(keep), tuple(goals), tuple(loosen)
    looked = Looked()

    def problem() -> GoalProblem:
        return problem_of(stage, free=free, keep=keep, goals=goals, loosen=loosen, looked=looked)

    asking = Proposing(assess(stage), enough, budget, seconds, progress, stop)
    return search_out(stage, problem, asking)


@dataclass(frozen=True, slots=True)
class Proposing:
    """What is asked of a search, beside its problem: what there is before, how much is enough, and when it ends."""

    before: Assessment
    enough: float = ENOUGH
    budget: int = BUDGET
    seconds: float = SECONDS
    progress: Callable[[Progress], None] | None = None
    stop: Callable[[], bool] | None = None


def search_out(stage: Stage, problem_now: Callable[[], GoalProblem], asking: Proposing) -> Proposal:
    """The best settings for a problem, which is made anew whenever more is known of what its goals look at."""
    ends = time.monotonic() + asking.seconds
    budget = asking.budget
    begin: dict[str, int] = {}
    while True:
        work = _Proposer(
            stage,
            problem_now(),
            asking.before,
            asking.enough,
            budget,
            ends,
            asking.progress,
            asking.stop,
            begin,
        )
        try:
            return work.run()
        except WiderError:  # goals are known better now; what was found is where to go on
            begin = work.found
            budget = max(budget - work.steps, 0)


def worth(check: str, asked: float, base: float) -> Callable[[float], float]:
    """What a margin of this check is worth, for a stage that has `base` and asks for `asked`.

    Below 0, by class, what is missed: also less than the stage has, up to the margin asked for. From 0
    to 1, by class, low margins. Above, the margin.
    """
    kind, classes = consequence(bare(check)), len(CONSEQUENCES)
    hold = max(0.0, min(base, asked))

    def weigh(margin: float) -> float:
        if margin < hold:
            return kind - classes + min(1 / (1 + hold - margin), 1 - 1e-9)
        return (kind + margin / asked) / classes if margin < asked else 1 + margin

    return weigh


class _Proposer:
    def __init__(
        self,
        stage: Stage,
        problem: GoalProblem,
        before: Assessment,
        enough: float,
        budget: int,
        ends: float,
        progress: Callable[[Progress], None] | None,
        stop: Callable[[], bool] | None,
        begin: Mapping[str, int],
    ) -> None:
        self.stage, self.problem = stage, problem
        self.enough, self.budget, self.progress, self.stop = enough, budget, progress, stop
        self.ends, self.interrupted, self.smallest = ends, False, -math.inf
        self.before, self.found = before, dict(begin)
        asked = max((v.asked_margin for v in self.before.verdicts), default=0.0)
        now = {n: v.current for n, v in enumerate(problem.variables)}
        #: The same goals with nothing but their margins, to tell conflicts by.
        self.plain = [Goal(g.name, g.scope, g.margin) for g in problem.goals]
        for goal in problem.goals:
            if not goal.name.startswith(("rule ", "meaning of ")):
                goal.weigh = worth(goal.name, asked, _at(goal, now))
        self.steps = 0
        self.proven = True
        self.at: tuple[int, int, tuple[str, ...]] = (0, 0, ())
        self.parts = groups(len(problem.variables), [g.scope for g in problem.goals])

    def tick(self) -> None:
        self.steps += 1
        if self.steps > self.budget:
            raise TooLongError
        if self.steps % _EVERY == 1:
            self._tell()
        self.pulse()

    def _tell(self) -> None:
        if self.progress is not None:
            number, count, fields = self.at
            self.progress(Progress(number, count, self.steps, fields, self.smallest))

    def _told(self, codes: Mapping[int, int]) -> None:
        """Settings for a group are known: tell it where they are better."""
        try:
            smallest = self._least(codes)[0]
            if smallest > self.smallest:
                self.smallest = smallest
                self._tell()
        except KeyboardInterrupt:
            self.proven, self.interrupted = False, True

    def pulse(self) -> None:
        if self.stop is not None and self.stop():
            self.interrupted = True
        if self.interrupted or time.monotonic() > self.ends:
            raise TooLongError

    # --- the search -------------------------------------------------------------------------
    def run(self) -> Proposal:
        cap = 1 + self.enough
        codes, least = self._solve(cap)
        fixed = min((g.worth(()) for g in self.problem.goals if not g.scope), default=math.inf)
        if self.proven and self.parts and min(least, fixed) >= cap:
            # everything holds with plenty: then the smallest margin is sought beyond that
            codes, best = self._solve(math.inf)
            codes, _ = self._solve(min(best, fixed))
        return self._result(codes)

    def _solve(self, cap: float) -> tuple[dict[int, int], float]:
        """(codes of every variable, smallest worth of the goals that they move)."""
        codes = {n: v.current if v.current in v.codes else v.codes[0] for n, v in self._numbered()}
        codes.update({n: self.found[v.name] for n, v in self._numbered() if v.name in self.found})
        least = math.inf
        # first good settings of every group, so that there is an answer early; then the best
        for work in (self._peep, self._glance, self._climb, self._best):
            for number, part in enumerate(self.parts, 1):
                names = tuple(self.problem.variables[n].name for n in part)
                self.at = (number, len(self.parts), names)
                codes.update(work(part, cap, {n: codes[n] for n in part}))
                self.found = {v.name: codes[n] for n, v in self._numbered()}
                self._told(codes)
        for part in self.parts:
            variables, goals = self._of(part)
            least = min(least, *Search(variables, goals, cap=cap).vector(codes)[:1], math.inf)
        return codes, least

    def _numbered(self) -> Iterable[tuple[int, Choosable]]:
        return enumerate(self.problem.variables)

    def _peep(self, part: list[int], cap: float, start: dict[int, int]) -> dict[int, int]:
        search = self._searching(part, cap)
        return self._stopped(search, start, lambda: search.climb(start, most=4))

    def _glance(self, part: list[int], cap: float, start: dict[int, int]) -> dict[int, int]:
        search = self._searching(part, cap)
        return self._stopped(search, start, lambda: search.climb(start, most=16))

    def _climb(self, part: list[int], cap: float, start: dict[int, int]) -> dict[int, int]:
        search = self._searching(part, cap)
        return self._stopped(search, start, lambda: search.climb(start))

    def _best(self, part: list[int], cap: float, start: dict[int, int]) -> dict[int, int]:
        search = self._searching(part, cap)

        def work() -> Mapping[int, int]:
            found = search.best(start=start)
            assert found is not None  # `start` is one
            return found.codes

        return self._stopped(search, start, work)

    def _searching(self, part: list[int], cap: float) -> Search:
        variables, goals = self._of(part)
        return Search(variables, goals, cap=cap, tick=self.tick, pulse=self.pulse)

    def _stopped(
        self, search: Search, start: dict[int, int], work: Callable[[], Mapping[int, int]]
    ) -> dict[int, int]:
        """The outcome, or the best so far when time, steps or the user end it."""
        try:
            return dict(work())
        except TooLongError:
            self.proven = False
        except KeyboardInterrupt:
            self.proven, self.interrupted = False, True
        whole = Search(search.variables, search.goals, cap=search.cap)
        reached = {**start, **search.reached}
        return reached if better(whole.vector(reached), whole.vector(start)) else start

    def _of(
        self, part: list[int], goals: list[Goal] | None = None
    ) -> tuple[dict[int, Choosable], list[Goal]]:
        inside = set(part)
        return (
            {n: self.problem.variables[n] for n in part},
            [g for g in goals or self.problem.goals if inside & set(g.scope)],
        )

    def _least(
        self, codes: Mapping[int, int], which: Callable[[Goal], bool] = lambda _: True
    ) -> tuple[float, str]:
        """The smallest margin of these goals, and whose it is."""
        found = [
            (g.margin(tuple(codes[n] for n in g.scope)), g.name)
            for g in self.problem.goals
            if which(g)
        ]
        return min(found, default=(math.inf, ""))

    # --- conflicts --------------------------------------------------------------------------
    def _conflicts(self, codes: Mapping[int, int]) -> tuple[list[Conflict], bool]:
        titles = dict(zip((g.name for g in self.problem.goals), self.problem.titles, strict=True))
        found = [
            Conflict((Clash(g.name, titles[g.name], g.margin(())),), (), self._held([g]))
            for g in self.plain
            if not g.scope and g.margin(()) < 0
        ]
        most = len(found) + MOST_CONFLICTS
        self.budget = self.steps + BUDGET
        self.ends = max(self.ends, time.monotonic() + 1.0)  # a word on why is worth a second
        try:
            for part in self.parts:
                variables, pool = self._of(part, self.plain)
                here = {n: codes[n] for n in part}
                while not self._satisfiable(variables, pool, here):
                    if len(found) >= most:
                        return found, False
                    core = self._core(variables, pool, here)
                    fields = sorted({n for g in core for n in g.scope})
                    found.append(
                        Conflict(
                            tuple(
                                Clash(g.name, titles[g.name], self._reach(variables, core, g))
                                for g in core
                            ),
                            tuple(variables[n].name for n in fields),
                            self._held(core),
                        )
                    )
                    pool = [g for g in pool if g not in core]
                    here = Search(variables, pool, cap=0.0, tick=self.tick, pulse=self.pulse).climb(
                        here
                    )
        except TooLongError:
            return found, False
        except KeyboardInterrupt:
            self.interrupted = True
            return found, False
        return found, True

    def _held(self, goals: Iterable[Goal]) -> dict[str, str]:
        """The fields that would move these goals and are kept, or not loosened, with why."""
        found: dict[str, str] = {}
        for goal in goals:
            found.update(self.problem.held.get(goal.name, {}))
            for n in goal.scope:
                name = self.problem.variables[n].name
                if name in self.problem.guarded:
                    found[name] = self.problem.guarded[name]
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
            tick=self.tick,
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

    def _reach(self, variables: Mapping[int, Choosable], core: list[Goal], goal: Goal) -> float:
        """The largest margin of one goal while the others of the core are met."""
        others = [Goal(g.name, g.scope, _all_or_nothing(g)) for g in core if g is not goal]
        found = self._search(variables, [goal, *others], 0.0).best()
        return found.vector[0] if found is not None and found.vector else -math.inf

    # --- the answer -------------------------------------------------------------------------
    def _result(self, codes: dict[int, int]) -> Proposal:
        problem = self.problem
        now = {n: v.current for n, v in enumerate(problem.variables)}
        ordered = tuple(codes[n] for n in range(len(problem.variables)))
        feasible = self._least(codes)[0] >= 0
        conflicts: list[Conflict] = []
        complete = True
        if not feasible:
            conflicts, complete = self._conflicts(codes)
        picks = tuple(
            self._pick(n, codes, ordered, problem.bank_for(n, ordered)) for n in range(len(ordered))
        )
        changed = problem.changed(
            {
                # what a text means may hang on another field: those are stated anew in any case
                n: p.text
                for n, (p, item) in enumerate(zip(picks, problem.items, strict=True))
                if p.changed or len(item.meanings) > 1
            },
        )
        before, after = self.before, problem.judge(changed)
        goals = {g.name for g in problem.goals}
        return Proposal(
            base=self.stage,
            stage=changed,
            picks=picks,
            feasible=feasible,
            proven=self.proven,
            conflicts=tuple(conflicts),
            conflicts_complete=complete,
            smallest=self._least(codes),
            smallest_before=self._least(now),
            movable=self._least(codes, lambda g: bool(g.scope)),
            before=before,
            after=after,
            goals=len(goals),
            not_computed=tuple(problem.not_computed),
            kept=problem.kept,
            not_loosened=problem.guarded,
            worse=_worse(before, after),
            interrupted=self.interrupted,
            others_failing=tuple(
                v.check
                for v in after.verdicts
                if v.status == "fails"
                and bare(v.check) != "reaction.masked"
                and v.check not in goals
            ),
            evaluations=sum(len(g.known) for g in problem.goals),
            steps=self.steps,
            enough=self.enough,
        )

    def _pick(self, n: int, codes: Mapping[int, int], ordered: Codes, bank: Bank) -> Pick:
        variable, item = self.problem.variables[n], self.problem.items[n]
        new, old = codes[n], variable.current
        reading = values.read(item, new, bank)
        order = variable.order or variable.codes
        lower = higher = None
        others: tuple[Instead, ...] = ()
        place = order.index(new)
        if reading.band is not None:
            lower = self._instead(n, order[place - 1], codes, ordered) if place else None
            higher = (
                self._instead(n, order[place + 1], codes, ordered)
                if place + 1 < len(order)
                else None
            )
        else:
            others = tuple(self._instead(n, c, codes, ordered) for c in order[:9] if c != new)
        return Pick(
            variable.name,
            item.role,
            item.summary,
            values.read(item, old, self.problem.stated_bank(n)),
            reading,
            setting_text(item, reading, bank),
            self._instead(n, old, codes, ordered) if old != new else None,
            lower,
            higher,
            others,
            tuple(u.check for u in self.problem.not_computed if variable.name in u.fields),
        )

    def _instead(self, n: int, code: int, codes: Mapping[int, int], ordered: Codes) -> Instead:
        reading = self.problem.reading(n, code, ordered)
        there = {**codes, n: code}
        worst: tuple[float, float, str, str] | None = None
        for goal, title in zip(self.problem.goals, self.problem.titles, strict=True):
            if n in goal.scope:
                here = goal.margin(tuple(codes[m] for m in goal.scope))
                margin = goal.margin(tuple(there[m] for m in goal.scope))
                if margin < here and margin < self.enough and (worst is None or margin < worst[0]):
                    worst = (margin, here, goal.name, title)
        if worst is None:
            return Instead(reading)
        return Instead(reading, worst[2], worst[3], worst[0], worst[1])


def _worse(before: Assessment, after: Assessment) -> tuple[Worse, ...]:
    """Every verdict with a smaller margin than before, the gravest consequence first."""
    later = {v.check: v.relative for v in after.verdicts}
    found = []
    for verdict in before.verdicts:
        was, now = verdict.relative, later.get(verdict.check)
        if was is not None and (now is None or now < was - 1e-9 * max(1.0, abs(was))):
            found.append(Worse(verdict.check, verdict.title, was, now))
    found.sort(
        key=lambda w: (consequence(bare(w.check)), -math.inf if w.after is None else w.after)
    )
    return tuple(found)


def _at(goal: Goal, codes: Mapping[int, int]) -> float:
    return goal.margin(tuple(codes[n] for n in goal.scope))


def _all_or_nothing(goal: Goal) -> Callable[[Codes], float]:
    return lambda codes: 0.0 if goal.margin(codes) >= 0 else -math.inf
