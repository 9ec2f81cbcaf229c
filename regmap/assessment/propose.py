"""Settings for a stage that make all its verdicts hold, the gravest first, with the largest smallest margin.

    proposal = propose(load_stage("motor.yaml"))
    proposal.feasible, proposal.changes          {"TIMING.DEAD_TIME": "1 us", ...}
    proposal.stage                               the stage with these settings

All fields whose role moves a verdict are searched together, and the result is exact (see
`search`). `order` says what may be given up for what: nothing for something milder. Margins of ENOUGH
and more count as equal, so that a setting is not moved for a verdict that already holds with plenty;
only where every verdict reaches that much is the smallest margin sought beyond it. Where mending one
verdict would make more of its group fail (fields that no goal connects to others are a group), nothing
of that group begins to fail. Where no settings meet all goals the proposal is the nearest there is, and
`conflicts` names the goals that cannot be met together. Every verdict that gets worse is in `worse`.

A field that a check not computed looks at is not searched, and a protection is not loosened unasked (see
`goals`): `kept`, `not_computed` and `not_loosened` name them.

The first better settings are sought apart (`early`). After `seconds`, or when it is interrupted, the search
gives the best so far, not `proven`; some of that time is left for saying why.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterable, Mapping

from regmap.record import dataclass

from ..chip import values
from ..stages.load import Stage
from .answer import ProposalMaker
from .early import early
from .goals import problem_of
from .order import BACKSTOP, backstop, count, guard, worth
from .problem import GoalProblem, Looked, WiderError
from .proposal import Progress, Proposal
from .search import Choosable, Goal, Search, TooLongError, better, groups
from .stage import Assessment, assess

#: A margin with which a verdict counts as held with plenty.
ENOUGH = 0.5
#: Seconds after which a search ends likewise.
SECONDS = 60.0
#: Steps after which a search ends with the best found so far, not proven to be the best.
BUDGET = 600_000

_EVERY = 256
#: The share of the time, and the most seconds of it, that are left for conflicts and reasons.
_LEFT, _MOST_LEFT = 0.25, 1.5

#: Makes the problem: whether to explore what goals look at, and what is called at each margin on the way.
Making = Callable[[bool, Callable[[], None]], GoalProblem]


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
    began = time.monotonic()
    free, keep, goals, loosen = tuple(free), tuple(keep), tuple(goals), tuple(loosen)
    looked = Looked()

    def problem(explore: bool, pulse: Callable[[], None]) -> GoalProblem:
        return problem_of(
            stage,
            free=free,
            keep=keep,
            goals=goals,
            loosen=loosen,
            looked=looked,
            explore=explore,
            pulse=pulse,
        )

    asking = Proposing(assess(stage), enough, budget, seconds, progress, stop, began)
    return search_out(stage, problem, asking)


@dataclass(frozen=True, slots=True)
class Proposing:
    """What is asked of a search, beside its problem: what there is before, how much is enough, and when it ends.

    `began` is when it was asked for, as `time.monotonic` tells.
    """

    before: Assessment
    enough: float = ENOUGH
    budget: int = BUDGET
    seconds: float = SECONDS
    progress: Callable[[Progress], None] | None = None
    stop: Callable[[], bool] | None = None
    began: float = 0.0

    @property
    def ends(self) -> float:
        """When all is said."""
        return self.began + self.seconds

    @property
    def search_ends(self) -> float:
        """When no better settings are sought any more."""
        return self.ends - min(_LEFT * self.seconds, _MOST_LEFT)


def search_out(stage: Stage, problem_now: Making, asking: Proposing) -> Proposal:
    """The best settings for a problem, which is made anew whenever more is known of what its goals look at."""
    budget, begin, explore = asking.budget, dict[str, int](), False
    work: _Proposer | None = None
    while True:
        pulse = work.pulse if work is not None and explore else _nothing
        try:
            problem = problem_now(explore, pulse)
        except (TooLongError, KeyboardInterrupt) as error:
            if work is None:
                raise
            work.interrupted |= isinstance(error, KeyboardInterrupt)
            return _give_up(stage, problem_now, asking, work)
        work = _Proposer(stage, problem, asking, budget, begin, tell=work)
        try:
            if explore:
                return work.run()
            work.begin_early()
            explore = True
        except WiderError:  # goals are known better now; what was found is where to go on
            pass
        begin = work.found
        budget = max(budget - work.steps, 0)


def _give_up(stage: Stage, problem_now: Making, asking: Proposing, work: _Proposer) -> Proposal:
    """What has been found, where there is no time to find out more."""
    last = work
    while True:
        try:
            return last.give_up()
        except WiderError:
            last = _Proposer(stage, problem_now(False, _nothing), asking, 0, work.found, tell=work)


def _nothing() -> None:
    pass


class _Proposer:
    def __init__(
        self,
        stage: Stage,
        problem: GoalProblem,
        asking: Proposing,
        budget: int,
        begin: Mapping[str, int],
        tell: _Proposer | None,
    ) -> None:
        self.stage, self.problem, self.asking = stage, problem, asking
        self.enough, self.budget = asking.enough, budget
        self.ends = asking.search_ends
        self.interrupted = False
        self.smallest = -math.inf
        self.gain: tuple[str, float, float] | None = None
        self.changes: tuple[str, ...] = ()
        if tell is not None:
            self.interrupted, self.smallest = tell.interrupted, tell.smallest
            self.gain, self.changes = tell.gain, tell.changes
        self.before, self.found = asking.before, dict(begin)
        now = {n: v.current for n, v in enumerate(problem.variables)}
        #: What the stage has, by goal.
        self.bases = {g.name: g.over(now) for g in problem.goals}
        #: What is searched for: the goals, and beside those that fail whether they still do.
        self.weighed: list[Goal] = []
        for goal in problem.goals:
            self._weigh(goal)
            self.weighed.append(goal)
            if goal.weigh is not None and self.bases[goal.name].margin < 0:
                self.weighed.append(
                    Goal(goal.name, goal.scope, goal.judged, goal.known, count(goal.name))
                )
        self.steps = 0
        self.proven = True
        self.at: tuple[int, int, tuple[str, ...]] = (0, 0, ())
        self.parts = groups(len(problem.variables), [g.scope for g in problem.goals])
        self.answer = ProposalMaker(
            stage, problem, self.before, self.bases, self.parts, self.enough, self.pulse
        )

    def _weigh(self, goal: Goal, *, strict: bool = False) -> None:
        if goal.name in self.problem.guards:
            goal.weigh = guard(goal.name, self.bases[goal.name])
            return
        goal.counts = True
        if goal.name.startswith(BACKSTOP):
            goal.weigh = backstop
        elif not goal.name.startswith(("rule ", "meaning of ", "protection ")):
            goal.weigh = worth(
                goal.name,
                self.bases[goal.name],
                strict=strict,
                all_of_it=goal.name in self.problem.unloosened,
            )

    def tick(self) -> None:
        self.steps += 1
        if self.steps > self.budget:
            raise TooLongError
        if self.steps % _EVERY == 1:
            self._tell()
        self.pulse()

    def _tell(self) -> None:
        if self.asking.progress is not None:
            number, of, fields = self.at
            told = Progress(number, of, self.steps, fields, self.smallest, self.changes, self.gain)
            self.asking.progress(told)

    def _told(self, codes: Mapping[int, int]) -> None:
        """Settings for a group are known: tell it where they are better."""
        try:
            smallest = self.answer.least(codes)[0]
            first = self.gain is None and self._gained(codes)
            if smallest > self.smallest or first:
                self.smallest = smallest
                self._tell()
        except KeyboardInterrupt:
            self.proven, self.interrupted = False, True

    def _gained(self, codes: Mapping[int, int]) -> bool:
        """Note what these codes change, and what gains the most of what needs it."""
        problem, changes = self.problem, []
        ordered = tuple(codes[n] for n in range(len(problem.variables)))
        for n, v in self._numbered():
            if codes[n] != v.current:
                old = values.read(problem.items[n], v.current, problem.stated_bank(n))
                changes.append(
                    f"{v.name}: {old.label} -> {problem.reading(n, codes[n], ordered).label}"
                )
        rows = []
        for goal in problem.goals:
            was, now = self.bases[goal.name], goal.over(codes)
            gain = min(now.margin, self.enough) - min(was.margin, self.enough)
            if goal.weigh is not None and goal.counts and gain > 0:
                rows.append((-gain, goal.name, was.margin, now.margin))
        if not changes or not rows:
            return False
        self.changes, self.gain = tuple(changes), min(rows)[1:]
        return True

    def pulse(self) -> None:
        if self.asking.stop is not None and self.asking.stop():
            self.interrupted = True
        if self.interrupted or time.monotonic() > self.ends:
            raise TooLongError

    # --- the search -------------------------------------------------------------------------
    def begin_early(self) -> None:
        """The first better settings into `found`, and what else is found as easily."""
        names = tuple(v.name for v in self.problem.variables)
        self.at = (1, 1, names)
        if not names:
            return

        self.ends = self.asking.ends  # an answer is worth more than its reasons

        def took(codes: Mapping[int, int]) -> None:
            self.ends = self.asking.search_ends
            self.found = {v.name: codes[n] for n, v in self._numbered()}
            self._told(codes)

        try:
            early(
                dict(self._numbered()),
                self.weighed,
                self._start(),
                1 + self.enough,
                took,
                self.tick,
                self.pulse,
            )
        except TooLongError:
            self.proven = False
        except KeyboardInterrupt:
            self.proven, self.interrupted = False, True

    def _start(self) -> dict[int, int]:
        codes = {n: v.current if v.current in v.codes else v.codes[0] for n, v in self._numbered()}
        codes.update({n: self.found[v.name] for n, v in self._numbered() if v.name in self.found})
        return codes

    def give_up(self) -> Proposal:
        """What has been found, where there is no time to find out more."""
        self.proven = False
        return self._result(self._start())

    def run(self) -> Proposal:
        cap = 1 + self.enough
        codes, least = self._solve(cap)
        fixed = min((g.worth(()) for g in self.weighed if not g.scope), default=math.inf)
        if self.proven and self.parts and min(least, fixed) >= cap:
            # everything holds with plenty: then the smallest margin is sought beyond that
            codes, best = self._solve(math.inf)
            codes, _ = self._solve(min(best, fixed))
        return self._result(codes)

    def _solve(self, cap: float) -> tuple[dict[int, int], float]:
        """(codes of every variable, smallest worth of the goals that they move)."""
        codes = self._start()
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
        made = self._exact(part, cap, start)
        variables, goals = self._of(part)
        whole = Search(variables, goals)
        now = {n: v.current for n, v in variables.items()}
        if whole.missed(made) <= whole.missed(now):
            return made
        # one more fails than before: then none of this group may begin to
        for goal in goals:
            if goal.counts:
                self._weigh(goal, strict=True)
        return self._exact(part, cap, self._climb(part, cap, now))

    def _exact(self, part: list[int], cap: float, start: dict[int, int]) -> dict[int, int]:
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

    def _of(self, part: list[int]) -> tuple[dict[int, Choosable], list[Goal]]:
        inside = set(part)
        return (
            {n: self.problem.variables[n] for n in part},
            [g for g in self.weighed if inside & set(g.scope)],
        )

    def _result(self, codes: dict[int, int]) -> Proposal:
        self.ends = self.asking.ends
        return self.answer.proposal(
            codes, proven=self.proven, steps=self.steps, interrupted=lambda: self.interrupted
        )
