"""All modes of a drive at once: one value for each field that no mode sets, each verdict with the mode that it is of.

    proposal = propose_over_modes(stage)              one value that holds in every mode, where no mode has its own
    swept = sweep_over_modes(stage, "TIMING.DEAD_TIME")
    swept.rows[0].worst_mode

A field that a mode sets is judged in that mode alone, with a value of its own (`SENSE.OC_TH in limp`); so is an input that
a mode states. Checks are called `CHECK in MODE` here.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable, Mapping, Sequence

from regmap.record import dataclass, replace

from ..calc.verdict import worst_first
from ..chip import values
from ..chip.bank import Bank, need
from ..chip.model import Chip
from ..stages.load import Stage, set_by
from ..stages.load import atoms_of as atoms
from ..stages.whatif import input_of, is_input
from .goals import problem_of
from .grid import Axis, GridCell, SweepGrid, grid
from .matrix import STATED, matrix
from .problem import GoalProblem, Looked, NotComputed, raises
from .proposal import Progress, Proposal
from .propose import BUDGET, ENOUGH, SECONDS, Proposing, search_out
from .search import Choosable, Codes, Goal
from .stage import IN, Assessment, with_settings
from .sweep import Sweep, sweep_in, sweep_input_in


def in_mode_name(name: str, mode: str) -> str:
    """What a check or a field is called in one of several modes."""
    return f"{name}{IN}{mode}"


def states(stage: Stage) -> dict[str, Stage]:
    """The stage as stated and its modes, by name."""
    return {STATED: stage, **stage.modes}


def moved_in(stage: Stage, name: str) -> dict[str, Stage]:
    """The states in which a field or an input is not set by the mode itself. Raises CallError for what is neither."""
    if not _of_chip(stage.chip, name) and not is_input(name):
        need(stage.chip, name)
    wanted = {name} | (atoms(stage.chip, name) if _of_chip(stage.chip, name) else {_input(name)})
    return {n: s for n, s in states(stage).items() if not wanted & set_by(stage, s)}


def _of_chip(chip: Chip, name: str) -> bool:
    return name in chip.joined or name in chip.externals or chip.field(name) is not None


def _input(name: str) -> str:
    return input_of(name)[0]


# --- a sweep ---------------------------------------------------------------------------------------
def sweep_over_modes(stage: Stage, name: str, limit: int = 256) -> Sweep:
    """Every option of a field with the verdicts of all modes that do not set it themselves. Errors as of `sweep`."""
    return sweep_in(moved_in(stage, name), stage, name, limit)


def sweep_input_over_modes(stage: Stage, name: str, span: str, steps: int = 11) -> Sweep:
    """An input over a span in all modes that do not state it themselves. Errors as of `sweep_input`."""
    return sweep_input_in(moved_in(stage, name), name, span, steps)


def grid_over_modes(
    stage: Stage, first: Axis, second: Axis, chosen: Sequence[str] = ()
) -> SweepGrid:
    """Two axes against each other: in each cell the worst of the modes that set neither themselves. Errors as of `grid`."""
    modes = moved_in(stage, first.name).keys() & moved_in(stage, second.name).keys()
    found = {n: grid(s, first, second, chosen) for n, s in states(stage).items() if n in modes}
    grids = list(found.values())
    cells = tuple(
        tuple(
            _worst_cell({n: g.cells[row][column] for n, g in found.items()})
            for column in range(len(second.labels))
        )
        for row in range(len(first.labels))
    )
    moved = tuple(in_mode_name(c, n) for n, g in found.items() for c in g.moved)
    return SweepGrid(first, second, cells, moved, sum(g.unmoved for g in grids))


def _worst_cell(cells: Mapping[str, GridCell]) -> GridCell:
    impossible = next((c for c in cells.values() if c.left_out), None)
    if impossible is not None:
        return impossible
    told = {n: c.worst for n, c in cells.items() if c.worst is not None}
    mode = min(told, key=lambda n: told[n], default="")
    return GridCell(
        told.get(mode),
        in_mode_name(cells[mode].check, mode) if mode else "",
        sum(c.fails for c in cells.values()),
        sum(c.low for c in cells.values()),
        tuple(dict.fromkeys(r for c in cells.values() for r in c.broken_rules)),
    )


# --- a proposal ------------------------------------------------------------------------------------
@dataclass(slots=True, kw_only=True)
class JointProblem(GoalProblem):
    """The problem of all modes: `owners` are the states that a variable counts in, by number."""

    modes: Mapping[str, Stage]
    owners: list[tuple[str, ...]]

    def bank_for(self, number: int, codes: Codes) -> Bank:
        """The configuration with these codes in the first state that a variable counts in."""
        mode = self.owners[number][0]
        bank = self.modes[mode].bank
        for item, code, owners in zip(self.items, codes, self.owners, strict=True):
            if mode in owners:
                bank.put(item, code)
        return bank

    def stated_bank(self, number: int) -> Bank:
        """The configuration that the stage has there."""
        return self.modes[self.owners[number][0]].bank

    def changed(self, texts: Mapping[int, str]) -> Stage:
        """The stage and its modes with these texts for variables by number."""
        made = {}
        for mode, stage in self.modes.items():
            mine = {
                self.variables[n].name.partition(IN)[0]: text
                for n, text in texts.items()
                if mode in self.owners[n]
            }
            made[mode] = with_settings(stage, mine)
        return replace(made.pop(STATED), modes=made)

    def judge(self, stage: Stage) -> Assessment:
        """The verdicts of all modes, each with its mode."""
        return assess_over_modes(stage)

    def would(self, goal: str, name: str, codes: Codes) -> bool:
        """Whether a field that is kept, or kept from some codes, would raise the margin of a goal of one mode."""
        check, _, mode = goal.partition(IN)
        bank = self.modes[mode].bank
        for item, code, owners in zip(self.items, codes, self.owners, strict=True):
            if mode in owners:
                bank.put(item, code)
        mine = next((v.codes for v in self.variables if v.name == name), ())
        return raises(self.modes[mode], bank, check, name.partition(IN)[0], mine)


def reading_of(stage: Stage, name: str) -> values.Reading | None:
    """What a field holds, one of a mode where its name says so (`SENSE.OC_TH in limp`)."""
    field, _, mode = name.partition(IN)
    return stage.modes.get(mode, stage).bank.reading(field)


def assess_over_modes(stage: Stage) -> Assessment:
    """The verdicts of the stage as stated and of all of its modes in one, each called CHECK in MODE."""
    found = matrix([stage]).of(stage)
    verdicts = [
        replace(v, check=in_mode_name(v.check, n)) for n, a in found.items() for v in a.verdicts
    ]
    waived = [
        (replace(v, check=in_mode_name(v.check, n)), why)
        for n, a in found.items()
        for v, why in a.waived
    ]
    return Assessment(tuple(worst_first(verdicts)), tuple(waived))


def joint_problem(
    stage: Stage,
    *,
    free: Iterable[str] = (),
    keep: Iterable[str] = (),
    goals: Iterable[str] = (),
    loosen: Iterable[str] = (),
    looked: Mapping[str, Looked] | None = None,
    explore: bool = True,
    pulse: Callable[[], None] | None = None,
) -> JointProblem:
    """The problems of all modes as one (`goals.problem_of` says what is asked). A field that a check not computed looks at in
    one mode is kept in all that share it. Raises CallError for names that mean nothing.
    """
    free, goals, loosen = tuple(free), tuple(goals), tuple(loosen)
    modes = states(stage)
    own = {n: set_by(stage, s) for n, s in modes.items()}
    keeps = {n: set(keep) for n in modes}
    while True:
        problems = {
            n: problem_of(
                s,
                free=free,
                keep=tuple(keeps[n]),
                goals=goals,
                loosen=loosen,
                looked=None if looked is None else looked[n],
                explore=explore,
                pulse=pulse,
            )
            for n, s in modes.items()
        }
        unknown = {
            name: why
            for n, p in problems.items()
            for name, why in p.kept.items()
            if why.startswith("kept: not computed") and not atoms(stage.chip, name) & own[n]
        }
        wider = False
        for n in modes:
            shared = {f for f in unknown if not atoms(stage.chip, f) & own[n]}
            wider |= not shared <= keeps[n]
            keeps[n] |= shared
        if not wider:
            return _as_one(stage, modes, own, problems, unknown)


def _as_one(
    stage: Stage,
    modes: Mapping[str, Stage],
    own: Mapping[str, set[str]],
    problems: Mapping[str, GoalProblem],
    unknown: Mapping[str, str],
) -> JointProblem:
    places: dict[str, int] = {}
    made = JointProblem(
        stage, [], [], [], [], {}, [], {}, {}, modes=modes, owners=[]
    )  # fmt: skip
    for mode, problem in problems.items():
        names = {}

        def called(field: str, mode: str = mode) -> str:
            alone = bool(atoms(stage.chip, field) & own[mode])
            return in_mode_name(field, mode) if alone else field

        for variable, item in zip(problem.variables, problem.items, strict=True):
            name = names[variable.name] = called(variable.name)
            if name not in places:
                places[name] = len(made.variables)
                made.variables.append(replace(variable, name=name))
                made.items.append(item)
                made.owners.append(
                    (mode,)
                    if name != variable.name
                    else tuple(n for n in modes if not atoms(stage.chip, name) & own[n])
                )
            else:
                at = places[name]
                made.variables[at] = _common(made.variables[at], variable)
        numbers = [places[names[v.name]] for v in problem.variables]
        for goal, title in zip(problem.goals, problem.titles, strict=True):
            scope = tuple(numbers[n] for n in goal.scope)
            name = in_mode_name(goal.name, mode)
            made.goals.append(Goal(name, scope, goal.work, goal.known))
            made.titles.append(title)
            if goal.name in problem.unloosened:
                made.unloosened.add(name)
            if goal.name in problem.guards:
                made.guards.add(name)
            if goal.name in problem.held:
                made.held[name] = {called(f): w for f, w in problem.held[goal.name].items()}
        made.kept.update(
            {
                called(f): unknown.get(f, why)
                for f, why in problem.kept.items()
                if called(f) not in places
            }
        )
        made.guarded.update({called(f): why for f, why in problem.guarded.items()})
        made.not_computed += [
            NotComputed(
                in_mode_name(u.check, mode),
                u.title,
                u.missing,
                tuple(map(called, u.fields)),
                tuple(map(called, u.kept)),
            )
            for u in problem.not_computed
        ]
    for name in places:
        made.kept.pop(name, None)
    return made


def _common(one: Choosable, other: Choosable) -> Choosable:
    """A variable with the codes that it may take in both."""
    codes = tuple(c for c in one.codes if c in other.codes) or (one.current,)
    return replace(one, codes=codes, order=tuple(c for c in one.order if c in codes))


def propose_over_modes(
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
    """The best settings over all modes of a stage together, as `propose` gives them for one state.

    One value for each field that no mode sets; one more for each mode that sets it. Raises CallError for names that mean
    nothing.
    """
    began = time.monotonic()
    free, keep, goals, loosen = tuple(free), tuple(keep), tuple(goals), tuple(loosen)
    looked = {n: Looked() for n in states(stage)}

    def problem(explore: bool, pulse: Callable[[], None]) -> JointProblem:
        return joint_problem(
            stage,
            free=free,
            keep=keep,
            goals=goals,
            loosen=loosen,
            looked=looked,
            explore=explore,
            pulse=pulse,
        )

    asking = Proposing(assess_over_modes(stage), enough, budget, seconds, progress, stop, began)
    return search_out(stage, problem, asking)
