"""What a search over settings found, told: the stage with the codes, why each is taken, what is missed and what gets worse."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

from ..calc.consequences import BRIDGE, consequence
from ..chip import values
from ..chip.bank import Bank
from ..stages.load import Stage
from .conflicts import why_missed
from .order import BACKSTOP
from .problem import GoalProblem
from .proposal import Conflict, Instead, Pick, Proposal, Worse, setting_text
from .search import Codes, Goal, Judged, TooLongError
from .shrink import shrink
from .stage import Assessment, bare


class ProposalMaker:
    """The proposal of a problem at codes, one for each of its variables.

    `before` is what the stage has, `bases` the same by goal, `parts` the groups of variables that no goal connects,
    `enough` the margin with which a verdict holds with plenty. `pulse` is called before what takes time is worked out; where it
    raises TooLongError, reasons are left out.
    """

    def __init__(
        self,
        stage: Stage,
        problem: GoalProblem,
        before: Assessment,
        bases: Mapping[str, Judged],
        parts: Sequence[list[int]],
        enough: float,
        pulse: Callable[[], None],
    ) -> None:
        self.stage, self.problem, self.before = stage, problem, before
        self.bases, self.parts, self.enough, self.pulse = dict(bases), list(parts), enough, pulse

    def least(
        self, codes: Mapping[int, int], which: Callable[[Goal], bool] = lambda _: True
    ) -> tuple[float, str]:
        """The smallest margin of these goals, and whose it is."""
        found = [
            (g.margin(tuple(codes[n] for n in g.scope)), g.name)
            for g in self.problem.goals
            if g.name not in self.problem.guards and which(g)
        ]
        return min(found, default=(math.inf, ""))

    def proposal(
        self,
        codes: dict[int, int],
        *,
        proven: bool,
        steps: int,
        interrupted: Callable[[], bool],
    ) -> Proposal:
        """The proposal; `steps` were taken on the way, `interrupted` tells whether the user ends it, also meanwhile."""
        problem = self.problem
        now = {n: v.current for n, v in enumerate(problem.variables)}
        if not proven and self.least(codes)[0] < 0:
            codes = self._shrunk(codes)
        after = problem.judge(self._changed(codes))
        if codes != now and _worse_off(self.before, after):
            # what no goal told of: then the stage as it is
            codes, after, proven = now, self.before, False
        changed = self._changed(codes)
        ordered = tuple(codes[n] for n in range(len(problem.variables)))
        feasible = self.least(codes)[0] >= 0
        conflicts: list[Conflict] = []
        complete, broken_off = True, False
        if not feasible:
            try:
                conflicts, complete = why_missed(problem, self.parts, self.bases, codes, self.pulse)
            except KeyboardInterrupt:
                broken_off, complete = True, False
        picks = tuple(
            self._pick(n, codes, ordered, problem.bank_for(n, ordered)) for n in range(len(ordered))
        )
        goals = {g.name for g in problem.goals} - problem.guards
        shortened = {
            bare(g.name).removeprefix(BACKSTOP)
            for g in problem.goals
            if g.name.startswith(BACKSTOP) and g.over(codes).margin < math.inf
        }
        mended = {g.name for g in problem.goals if g.over(codes).margin == math.inf}
        return Proposal(
            base=self.stage,
            stage=changed,
            picks=picks,
            feasible=feasible,
            proven=proven,
            conflicts=tuple(conflicts),
            conflicts_complete=complete,
            smallest=self.least(codes),
            smallest_before=self.least(now),
            movable=self.least(codes, lambda g: bool(g.scope)),
            before=self.before,
            after=after,
            goals=len(goals),
            not_computed=tuple(problem.not_computed),
            kept=problem.kept,
            not_loosened={n: why for n, why in problem.guarded.items() if n not in shortened},
            worse=_worse(self.before, after, mended),
            interrupted=broken_off or interrupted(),
            others_failing=tuple(
                v.check
                for v in after.verdicts
                if v.status == "fails"
                and bare(v.check) != "reaction.masked"
                and v.check not in goals
            ),
            evaluations=sum(len(g.known) for g in problem.goals),
            steps=steps,
            enough=self.enough,
        )

    def _shrunk(self, codes: dict[int, int]) -> dict[int, int]:
        """No more of each change than what it mends needs; as they are where there is no time to tell."""
        try:
            return shrink(
                dict(enumerate(self.problem.variables)), self.problem.goals, codes, self.pulse
            )
        except (TooLongError, KeyboardInterrupt):
            return codes

    def _changed(self, codes: Mapping[int, int]) -> Stage:
        """The stage with these codes."""
        problem = self.problem
        ordered = tuple(codes[n] for n in range(len(problem.variables)))
        texts = {}
        for n, item in enumerate(problem.items):
            # what a text means may hang on another field: those are stated anew in any case
            if codes[n] != problem.variables[n].current or len(item.meanings) > 1:
                bank = problem.bank_for(n, ordered)
                texts[n] = setting_text(item, values.read(item, codes[n], bank), bank)
        return problem.changed(texts)

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
            tried = (self._instead(n, c, codes, ordered) for c in order[:9] if c != new)
            others = tuple(o for o in tried if o is not None)
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

    def _instead(
        self, n: int, code: int, codes: Mapping[int, int], ordered: Codes
    ) -> Instead | None:
        """What another code of one field does; None where there is no time to work that out."""
        reading = self.problem.reading(n, code, ordered)
        there = {**codes, n: code}
        worst: tuple[float, float, str, str] | None = None
        for goal, title in zip(self.problem.goals, self.problem.titles, strict=True):
            if n in goal.scope:
                at = tuple(there[m] for m in goal.scope)
                if at not in goal.known:
                    try:
                        self.pulse()
                    except TooLongError:
                        return None
                here = goal.margin(tuple(codes[m] for m in goal.scope))
                margin = goal.margin(at)
                if margin < here and margin < self.enough and (worst is None or margin < worst[0]):
                    worst = (margin, here, goal.name, title)
        if worst is None:
            return Instead(reading)
        return Instead(reading, worst[2], worst[3], worst[0], worst[1])


def _worse_off(before: Assessment, after: Assessment) -> bool:
    """Whether more fails than before, or what would destroy the bridge begins to."""
    failing = {v.check for v in before.verdicts if v.status == "fails"}
    now = {v.check for v in after.verdicts if v.status == "fails"}
    return len(now) > len(failing) or any(consequence(bare(c)) == BRIDGE for c in now - failing)


def _worse(before: Assessment, after: Assessment, mended: set[str]) -> tuple[Worse, ...]:
    """Every verdict with a smaller margin than before, the gravest consequence first.

    Not those `mended`, which are not judged any more because their hazard is gone.
    """
    later = {v.check: v.relative for v in after.verdicts}
    found = []
    for verdict in before.verdicts:
        was, now = verdict.relative, later.get(verdict.check)
        if now is None and verdict.check in mended:
            continue
        if was is not None and (now is None or now < was - 1e-9 * max(1.0, abs(was))):
            found.append(Worse(verdict.check, verdict.title, was, now))
    found.sort(
        key=lambda w: (consequence(bare(w.check)), -math.inf if w.after is None else w.after)
    )
    return tuple(found)
