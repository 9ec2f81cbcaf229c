"""What a search over settings must meet: a stage as a `search` problem (see `freedom` for what it may change).

Free are the fields whose role moves a verdict; goals are the verdicts of the checks and the rules
of the map. Each goal knows which free fields it looks at: by the roles that its check uses, by
the conditions under which a field means something else, by what masks a fault. Only those are
worked again when a code changes, on the inputs that the codes change, and nothing twice.

A goal cannot be met by making it vanish: where a verdict that the stage's own settings (or some
setting of the free fields) would answer is not computed, because a monitor is switched off or a
threshold is disabled, the goal counts as lost. What vanishes because its hazard does (`Work.no_hazard`: a latch
does not retry into a short circuit) is mended.

What a check may look at is more than what it does look at on this chip and in this stage: where
blanking counts from the gate, the dead time does not matter to it. A search therefore goes by what
the checks were seen to look at (`Looked`). That is exact: a check that looked at nothing but these
values would have gone the same way whatever the others are. Where one looks further for the first
time, its goal is widened, and WiderError says that the search has to begin anew.

Nor is a field moved while a check that looks at it cannot be judged for want of an input: nothing
would hold it back. It keeps its code, and `NotComputed` names it, unless it is freed by name.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from typing import TYPE_CHECKING, Any

from regmap.record import replace

from ..calc import checks, select
from ..chip.bank import Bank
from ..chip.model import Fault
from ..stages.load import Stage
from .bounds import Bounds, bridge_fails
from .freedom import Freedom, mentioned, name_of, role_chain
from .judging import judged, judged_all, with_fixed
from .problem import GoalProblem, Looked, NotComputed, WiderError
from .search import Codes, Goal, Judged
from .stage import facts_of, inputs_of, role_inputs, timing_of, waiver

if TYPE_CHECKING:
    from ..calc import Check, Facts, Verdict

    #: Verdicts of a check by name, the variables that it looked at, and whether the settings leave no hazard to judge.
    Seen = tuple[dict[str, Verdict], set[int], bool]

#: Codes of a variable up to which all are tried to see what a goal looks at; beyond, both ends.
_FEW = 5


def problem_of(
    stage: Stage,
    *,
    free: Iterable[str] = (),
    keep: Iterable[str] = (),
    goals: Iterable[str] = (),
    loosen: Iterable[str] = (),
    looked: Looked | None = None,
    explore: bool = True,
    pulse: Callable[[], None] | None = None,
) -> GoalProblem:
    """The problem: only the fields of `free` where any are given, none of `keep`; only the checks
    of `goals` (a name, or its beginning up to a dot) where any are given, beside `guards`. Without `free`, fields
    that checks not computed look at are kept, and protections are not loosened but for those of `loosen`.
    With `looked` goals have only the variables that they were seen to look at, and their margins may raise
    WiderError; without, or where none is to `explore`, all that their checks may look at. `pulse` is
    called at each step of that exploration, and may raise.

    Raises CallError for a name that means nothing, or a field that holds no setting.
    """
    asked = tuple(free), tuple(keep), tuple(goals), tuple(loosen)
    return _Maker(stage, *asked, looked, explore, pulse or (lambda: None)).make()


class _Maker:
    def __init__(
        self,
        stage: Stage,
        free: tuple[str, ...],
        keep: tuple[str, ...],
        goals: tuple[str, ...],
        loosen: tuple[str, ...],
        looked: Looked | None,
        explore: bool,
        pulse: Callable[[], None],
    ) -> None:
        self.explore, self.pulse = explore and looked is not None, pulse
        self.stage, self.chip = stage, stage.chip
        self.base = stage.bank
        self.asked = goals
        select(goals)  # names are checked before anything is worked
        self.free = Freedom(stage, free, keep, loosen)
        self.known = looked or Looked()
        self.inputs = self.known.inputs = self.known.inputs or inputs_of(stage)
        if self.free.backstops() and bridge_fails(stage, self.inputs):
            self.free = Freedom(stage, free, keep, loosen, shorten=True)
        self.items, self.variables = self.free.items, self.free.variables
        self.kept = self.free.kept
        self.held: dict[str, dict[str, str]] = {}
        self.role_cache = self.known.roles
        self.unloosened: set[str] = set()
        self.guards: set[str] = set()
        #: what the goals asked for may move, once the others are sought that look at the same
        self.reach: set[int] | None = None
        self.goals: list[Goal] = []
        self.titles: list[str] = []
        self.not_computed: list[NotComputed] = []
        self.freed = bool(free)
        self.blind: dict[int, list[str]] = {}  # variable to the checks not computed that look at it

    # --- goals ------------------------------------------------------------------------------
    def make(self) -> GoalProblem:
        #: variables whose code nobody knows
        self.unknown = {
            n: v.current for n, v in enumerate(self.variables) if self.base.code(v.name) is None
        }
        self._check_goals()
        bounds = Bounds(self.stage, self.free, self._bank)
        for goal, title in (
            *bounds.rules(),
            *bounds.meanings(),
            *bounds.protections(),
            *bounds.backstops(self.inputs, lambda roles: self._scope_of(roles, set()), self._roles),
        ):
            self.goals.append(goal)
            self.titles.append(title)
        if self.asked:
            self.reach = {
                n for g in self.goals for n in g.scope if len(self.variables[n].codes) > 1
            }
            self._check_goals()
        return self._problem()

    def _check_goals(self) -> None:
        """A goal for each verdict that is asked for; the second time, for those that are not."""
        for check in checks():
            if check.name == "reaction.time":
                for fault in self.chip.faults.values():
                    self._fault_goal(check, fault)
            elif check.name == "reaction.masked":
                # a masked fault misses its own time too: one goal is enough
                told = {g.name for g in self.goals}
                for fault in self.chip.faults.values():
                    if fault.masked_when is not None and f"reaction.time.{fault.name}" not in told:
                        self._fault_goal(check, fault)
            else:
                self._check_goal(check)

    def _problem(self) -> GoalProblem:
        moving = {
            n
            for g in self.goals
            for n in g.scope
            if len(self.variables[n].codes) > 1 and g.name not in self.guards
        }
        used = sorted(moving if self.freed else moving - set(self.blind))
        for number, item in enumerate(self.items):
            if number not in used:
                why = (
                    f"kept: not computed by {', '.join(self.blind[number])}"
                    if number in self.blind
                    else self.free.guarded.get(name_of(item), "changes no goal")
                )
                self.kept[name_of(item)] = why
        place = {n: i for i, n in enumerate(used)}
        goals = []
        for goal in self.goals:
            scope = goal.scope
            for n in scope:
                name = name_of(self.items[n])
                if n not in place and name in self.kept and len(self.variables[n].codes) > 1:
                    self.held.setdefault(goal.name, {})[name] = self.kept[name]
            if set(scope) <= set(used):
                goals.append(Goal(goal.name, tuple(place[n] for n in scope), goal.work, goal.known))
                continue
            fixed = {n: self.variables[n].current for n in scope if n not in place}
            inner = tuple(n for n in scope if n in place)
            work = with_fixed(goal, scope, inner, fixed)
            goals.append(Goal(goal.name, tuple(place[n] for n in inner), work))
        return GoalProblem(
            self.stage,
            [self.items[n] for n in used],
            [self.variables[n] for n in used],
            goals,
            self.titles,
            self.kept,
            self.not_computed,
            self.free.guarded,
            self.held,
            self.unloosened,
            self.guards,
        )

    def _hold(self, goal: str, roles: Iterable[str]) -> None:
        """Note the fields of these roles that are kept before anything is searched."""
        for role in dict.fromkeys(r for wanted in roles for r in role_chain(wanted)):
            for item in self.chip.with_role(role):
                name = name_of(item)
                if name in self.kept:
                    self.held.setdefault(goal, {})[name] = self.kept[name]

    def wanted(self, check: str) -> bool:
        asked = not self.asked or any(f"{check}.".startswith(f"{n}.") for n in self.asked)
        return asked is (self.reach is None) and not waiver(self.stage, check)

    def _check_goal(self, check: Check) -> None:
        if not self.wanted(check.name):
            return
        declared = dict.fromkeys(u.partition(":")[2] for u in check.uses if u.startswith("role:"))
        roles = declared | self.known.further.setdefault(check.name, {})
        frame_names: set[str] = set()
        if check.subject == "spi":
            for frame in self.chip.frames.values():
                if frame.when is not None:
                    frame_names |= mentioned(self.chip, frame.when)
        watched = self._watched(check)
        wanted = frame_names.union(*(self._fate(f) for f in watched))

        def work(chosen: Mapping[int, int]) -> Seen:
            facts = None
            if frame_names:
                facts = facts_of(self.stage, self._bank(chosen))
            elif watched:
                bank = self._bank(chosen)
                faults = tuple(timing_of(f, self.chip, bank) for f in watched)
                facts = replace(self.inputs.facts, faults=faults)
            return self._seen(check, roles, chosen, facts)

        first = self._first(check.name, roles, work)
        scope = self._scope_of(roles, wanted)
        self._hold(check.name, roles)
        if ".protects" in f"{check.name}." and not self._asked_to_loosen(roles):
            self.unloosened.add(check.name)
        always = self.free.scope(wanted)
        self._add(check.name, check.title, scope, always, work, first, roles)

    def _scope_of(self, roles: Iterable[str], wanted: set[str]) -> tuple[int, ...]:
        return tuple(
            sorted({n for r in roles for n in self.free.role_scope(r)} | {*self.free.scope(wanted)})
        )

    def _asked_to_loosen(self, roles: Iterable[str]) -> bool:
        items = {
            i for r in roles for w in role_chain(r) for i in map(name_of, self.chip.with_role(w))
        }
        return bool(items & self.free.loosen)

    def _first(
        self, check: str, roles: dict[str, None], work: Callable[[Mapping[int, int]], Seen]
    ) -> Seen:
        """The verdicts as the stage is, once all roles that the check looks up there are known."""
        while True:
            count = len(roles)
            first = work({})
            if len(roles) == count:
                self.known.further[check].update(roles)
                return first

    def _fault_goal(self, check: Check, fault: Fault) -> None:
        name = f"{check.name}.{fault.name}"
        if not (self.wanted(name) if check.name == "reaction.time" else self.wanted(check.name)):
            return
        base = timing_of(fault, self.chip, self.base)
        if not base.needed:
            return
        # Times count for the time only; a mask is the same question to both checks.
        adds = [a.partition(":")[2] for a in base.adds] if check.name == "reaction.time" else []
        roles = dict.fromkeys(adds) | self.known.further.setdefault(name, {})
        wanted = self._fate(fault)

        def work(chosen: Mapping[int, int]) -> Seen:
            timing = timing_of(fault, self.chip, self._bank(chosen)) if wanted else base
            facts = replace(self.inputs.facts, faults=(timing,))
            verdicts, seen, removed = self._seen(check, roles, chosen, facts)
            return dict(zip([name], verdicts.values(), strict=False)), seen, removed

        title = fault.title if check.name == "reaction.time" else f"{check.title}: {fault.name}"
        first = self._first(name, roles, work)
        self._hold(name, roles)
        scope = self._scope_of(roles, wanted)
        self._add(name, title, scope, self.free.scope(wanted), work, first, roles)

    def _seen(
        self,
        check: Check,
        roles: dict[str, None],
        chosen: Mapping[int, int],
        facts: Facts | None,
    ) -> Seen:
        """The verdicts of a check, and the variables that it looked at through its inputs.

        Roles that it looks up beside those known are added to `roles`: it has not seen `chosen` in them.
        """
        inputs = self.inputs.with_values(self._roles(roles, chosen), facts)
        verdicts = {v.check: v for v in check.work(inputs)}
        asked = [n.partition(":")[2] for n in inputs.asked if n.startswith("role:")]
        reached = {r for known in roles for r in role_chain(known)}
        roles.update((r, None) for r in asked if r not in reached and self.free.role_scope(r))
        seen = {n for role in asked for n in self.free.role_scope(role)}
        return verdicts, seen, inputs.removed

    def _watched(self, check: Check) -> list[Fault]:
        """The faults whose fate the check asks for, one for each that shares it, if settings decide it."""
        roles = {r for watched in check.watches for r in role_chain(watched)}
        found: dict[object, Fault] = {}
        for fault in self.chip.faults.values():
            if roles & set(fault.uses) and self._fate(fault):
                key = (str(fault.masked_when), str(fault.reported_only_when), fault.handled_by)
                found.setdefault(key, fault)
        return list(found.values())

    def _fate(self, fault: Fault) -> set[str]:
        """The atoms that decide whether the fault is masked or only reported."""
        exprs = (fault.masked_when, fault.reported_only_when)
        return {name for e in exprs if e is not None for name in mentioned(self.chip, e)}

    def _add(
        self,
        name: str,
        title: str,
        scope: tuple[int, ...],
        always: tuple[int, ...],
        work: Callable[[Mapping[int, int]], Seen],
        first: Seen,
        roles: dict[str, None],
    ) -> None:
        """A goal for each verdict of a check, unless nothing in the stage or the map can answer it.

        `scope` are the variables that the check may look at, `always` those that decide the facts
        which it is given, `first` its verdicts as the stage is, `roles` those that it is known to look up.
        """
        now, seen, _ = first
        if not now and not scope:
            return
        if self.reach is not None:
            applies = bool(now)
            now = {n: v for n, v in now.items() if judged(v).margin > -math.inf}
            if (applies and not now) or not self.reach & set(scope):
                return
            self.guards.update(now or {name})
        told = {}
        for called, verdict in now.items():
            if verdict.status != "not_computed" or self._settings_fault(verdict):
                told[called] = verdict.title if len(now) > 1 else title
                continue
            looks_at = [n for n in scope if len(self.variables[n].codes) > 1]
            for n in looks_at:
                self.blind.setdefault(n, []).append(called)
            fields = tuple(self.variables[n].name for n in looks_at)
            kept = () if self.freed else fields
            self.not_computed.append(
                NotComputed(called, verdict.title, verdict.missing, fields, kept)
            )
        if not now:
            told[name] = title
        if not told:
            return
        has = {n: judged(v) for n, v in now.items()}
        at = self._answers(name, {*always, *seen}, work, tuple(told), roles, has)
        for called, its_title in told.items():
            self.titles.append(its_title)
            if called != name and name in self.held:
                self.held[called] = self.held[name]
            if called != name and name in self.unloosened:
                self.unloosened.add(called)
            self.goals.append(self._goal(called, name, scope, at))

    def _goal(
        self,
        called: str,
        check: str,
        scope: tuple[int, ...],
        at: Callable[[Mapping[int, int]], tuple[dict[str, Judged], set[int]]],
    ) -> Goal:
        """The goal of one verdict, over the variables that its check was seen to look at where that is told."""
        scopes = self.known.scopes
        narrow = tuple(sorted(scopes[check])) if self.explore else scope

        def work(codes: Codes) -> Judged:
            found, seen = at(dict(zip(narrow, codes, strict=True)))
            if not seen <= set(narrow):
                scopes.setdefault(check, set()).update(seen)
                raise WiderError
            return found[called]

        return Goal(called, narrow, work)

    def _answers(
        self,
        name: str,
        first: set[int],
        work: Callable[[Mapping[int, int]], Seen],
        told: tuple[str, ...],
        roles: dict[str, None],
        has: Mapping[str, Judged],
    ) -> Callable[[Mapping[int, int]], tuple[dict[str, Judged], set[int]]]:
        """What the verdicts of a check come to at codes of any variables, the others as they are now.

        `has` is what those that the stage has come to.
        """
        always = frozenset(first)
        known = self.known.margins.setdefault(name, {})
        current = [v.current for v in self.variables]
        further = self.known.further[name]

        def at(codes: Mapping[int, int]) -> tuple[dict[str, Judged], set[int]]:
            for numbers, answers in known.items():
                found = answers.get(tuple(codes.get(n, current[n]) for n in numbers))
                if found is not None:
                    return found, set(numbers)
            while True:
                count = len(roles)
                verdicts, seen, removed = work(codes)
                if len(roles) == count:
                    break
                further.update(roles)
            made = judged_all(verdicts, told, has, removed=removed)
            numbers = tuple(sorted(always | seen))
            there = tuple(codes.get(n, current[n]) for n in numbers)
            known.setdefault(numbers, {})[there] = made
            return made, set(numbers)

        if self.explore and name not in self.known.scopes:
            # most ways that a check may go show at the ends of what it looks at
            waiting, reached = sorted(always), set(always)
            while waiting:
                n = waiting.pop()
                order = self.variables[n].order or self.variables[n].codes
                for code in order if len(order) < _FEW else (order[0], order[-1]):
                    self.pulse()
                    fresh = at({n: code})[1] - reached
                    reached |= fresh
                    waiting += sorted(fresh)
            self.known.scopes[name] = reached
        return at

    def _settings_fault(self, verdict: Verdict) -> bool:
        """Whether all that is missing hangs on a free field: a monitor off, a value disabled."""
        for text in verdict.missing:
            name = text.partition(" ")[0]
            if not name.startswith("role:") or not self.free.role_scope(name.partition(":")[2]):
                return False
        return bool(verdict.missing)

    # --- inputs under codes -----------------------------------------------------------------
    def _bank(self, codes: Mapping[int, int]) -> Bank:
        bank = self.base.copy()
        for n, code in {**self.unknown, **codes}.items():
            bank.put(self.items[n], code)
        return bank

    def _roles(self, roles: Iterable[str], codes: Mapping[int, int]) -> list[Any]:
        """The role inputs that these codes change, through the fallbacks of each role."""
        found: dict[str, Any] = {}
        for wanted in roles:
            for role in role_chain(wanted):
                if role in found or not self.chip.with_role(role):
                    continue
                scope = self.free.role_scope(role)
                if not scope:
                    continue
                key = (role, tuple(codes.get(n, self.variables[n].current) for n in scope))
                if key not in self.role_cache:
                    made = role_inputs(
                        self.chip, self._bank(dict(zip(scope, key[1], strict=True))), [role]
                    )
                    self.role_cache[key] = made[0] if made else None
                found[role] = self.role_cache[key]
        return [i for i in found.values() if i is not None]
