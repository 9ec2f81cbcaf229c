"""What a proposal may give up for what, how early it answers, and that its sentences are true."""

from __future__ import annotations

import math
import os
import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from regmap.assessment import goals, jointly
from regmap.assessment import propose as proposing
from regmap.assessment.goals import problem_of
from regmap.assessment.jointly import assess_over_modes, propose_over_modes
from regmap.assessment.problem import Looked, WiderError
from regmap.assessment.proposal import Progress, Proposal
from regmap.assessment.propose import propose
from regmap.assessment.stage import assess, bare, with_settings
from regmap.calc import Verdict, consequence
from regmap.calc.device import OFF_TIME_ERROR
from regmap.calc.registry import Check
from regmap.calc.work import Work
from regmap.chip.model import Param
from regmap.quantity import parse_band
from regmap.stages.load import Stage, load_stage, read_stage
from regmap.stages.whatif import with_inputs
from tests.calc.conftest import STAGE

DEVICES = Path(__file__).parents[2] / "devices"
#: GATEWORD_ALL=1 tries every stage, case and time; the suite one of each
ALL = os.environ.get("GATEWORD_ALL") == "1"
STAGES = ("coolant_pump", "conveyor_drum") if ALL else ("coolant_pump",)


def every_input(name: str) -> Stage:
    """A bundled stage that also states each input which any check can be given."""
    stage = load_stage(name)
    more = {
        n: Param(name=n, value=parse_band(v) if isinstance(v, str) else v, origin="test")
        for n, v in STAGE.items()
        if n not in stage.params
    }
    return replace(stage, params={**stage.params, **more}, modes={})


def lost(before: dict[str, Verdict], after: dict[str, Verdict]) -> dict[str, int]:
    """What held and does not any more, or failed to fail and does: by class."""
    rank = {"fails": 0, "not_computed": 0, "low_margin": 1, "holds": 2}
    return {
        n: consequence(bare(n))
        for n, v in before.items()
        if rank[v.status] > (rank[after[n].status] if n in after else 0)
    }


def mended(before: dict[str, Verdict], after: dict[str, Verdict]) -> set[int]:
    """The classes of what failed and does not any more."""
    return {
        consequence(bare(n))
        for n, v in before.items()
        if v.status == "fails" and n in after and after[n].status in ("low_margin", "holds")
    }


def assert_fair(result: Proposal) -> None:
    """No verdict is given up but for one that failed, of no milder class; no more fail; none that burns begins to."""
    before = {v.check: v for v in result.before.verdicts}
    after = {v.check: v for v in result.after.verdicts}
    graver = mended(before, after)
    for name, kind in lost(before, after).items():
        assert any(k <= kind for k in graver), name
        assert kind or after[name].status != "fails", name
    assert result.after.counts["fails"] <= result.before.counts["fails"]
    told = {w.check for w in result.worse}
    for name, v in before.items():
        now = after[name].relative if name in after else None
        if v.relative is not None and (now is None or now < v.relative - 1e-6):
            assert name in told


# --- whatever a stage states ------------------------------------------------------------------------
@pytest.mark.parametrize("name", STAGES)
def test_a_stage_may_state_every_input_there_is(name: str) -> None:
    stage = every_input(name)
    covered = {v.check for v in assess(stage).verdicts}
    assert covered >= {"vds.short-energy.high", "vds.safe-area.low", "vds.short-temperature.low"}
    result = propose(stage, seconds=3)
    assert result.goals >= len(covered) - 5
    assert_fair(result)


def test_what_a_check_looks_up_beyond_what_it_declares_moves_its_goal(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Wherever it begins to: at the stage's settings, or only at others."""

    def function(work: Work) -> Verdict:
        dead = work.take("t", "role:deadtime")
        assert dead is not None
        if dead.typ > 1.2e-6:
            work.take("x", "role:vds.filter")
        return work.at_most(work.take("G", "role:sense.gain"), work.constant("l", 50, "ratio", ""))

    check = Check("outside.one", "one", "G <= l", ("role:deadtime",), function)
    monkeypatch.setattr(goals, "checks", lambda: [check])
    stage, looked = load_stage("coolant_pump"), Looked()
    found: set[float] = set()
    for _ in range(4):
        made = problem_of(stage, looked=looked)
        (goal,) = (g for g in made.goals if g.name == "outside.one")
        at = {v.name: v for v in made.variables}
        assert "SENSE.GAIN" in at
        longest = {n: v.codes[-1] for n, v in enumerate(made.variables)}
        try:
            for code in at["SENSE.GAIN"].codes:
                there = [
                    code if made.variables[n].name == "SENSE.GAIN" else longest[n]
                    for n in goal.scope
                ]
                found.add(goal.margin(tuple(there)))
            break
        except WiderError:
            continue
    assert len(found) == len(at["SENSE.GAIN"].codes)
    assert "TIMING.FILTER" in {made.variables[n].name for n in goal.scope}


# --- nothing for something milder -------------------------------------------------------------------
CASES: dict[str, Callable[[], Stage]] = {
    "pump at 94 % duty": lambda: with_inputs(load_stage("coolant_pump"), {"pwm.duty.max": "94 %"}),
    "drum at 94 % duty": lambda: with_inputs(load_stage("conveyor_drum"), {"pwm.duty.max": "94 %"}),
    "drum that must be fast": lambda: with_inputs(
        load_stage("conveyor_drum"),
        {"limits.rise_time.max": "60 ns", "limits.fall_time.max": "60 ns"},
    ),
    "pump with too short a dead time": lambda: with_settings(
        load_stage("coolant_pump"), {"TIMING.DEAD_TIME": "min"}
    ),
}


@pytest.mark.parametrize(
    "case", CASES if ALL else ["pump with too short a dead time", "drum at 94 % duty"]
)
@pytest.mark.one_in(3)
def test_nothing_that_holds_is_given_up_for_something_milder(case: str) -> None:
    """Nor for what fails all the same; a margin inside what the model may err does not hold."""
    assert_fair(propose(CASES[case](), seconds=5))


@pytest.mark.parametrize("seconds", [0.3, 0.6, 1.0, 1.5] if ALL else [0.6])
def test_the_best_so_far_is_fair_whenever_it_is_asked_for(seconds: float) -> None:
    assert_fair(propose(CASES["drum that must be fast"](), seconds=seconds))


@pytest.fixture(scope="module")
def dead_time_alone() -> Proposal:
    return propose(CASES["drum at 94 % duty"](), free=["DEADTIME.TIME"])


def test_a_field_that_would_cost_what_holds_stays_and_the_reason_says_so(
    dead_time_alone: Proposal,
) -> None:
    """Less dead time than this would sample in time, and would leave less than the model may err."""
    result = dead_time_alone
    after = {v.check: v for v in result.after.verdicts}
    assert after["sense.settling"].status == "fails"
    for side in ("high", "low"):
        verdict = after[f"deadtime.enough.{side}"]
        assert verdict.model_error == OFF_TIME_ERROR
        assert verdict.status == "holds"
    (conflict,) = result.conflicts
    least = {c.goal: c.keeps for c in conflict.clashes}
    assert least.pop("sense.settling") == 0.0
    assert set(least.values()) == {OFF_TIME_ERROR}
    assert all(name.startswith("deadtime.enough.") for name in least)
    for clash in conflict.clashes:
        assert clash.reach < clash.keeps or clash.reach < 0


def test_what_nobody_asked_for_is_not_lost_either() -> None:
    result = propose(CASES["drum at 94 % duty"](), goals=["sense.settling"], seconds=5)
    assert_fair(result)
    assert result.goals == 1 + len(result.stage.chip.rules)


# --- protections ------------------------------------------------------------------------------------
PROTECTIONS = (
    "vds.threshold",
    "vds.blanking",
    "vds.filter",
    "overcurrent.threshold",
    "ov.threshold",
)


@pytest.mark.parametrize("name", STAGES)
def test_a_protection_that_stands_as_after_reset_is_not_loosened_either(name: str) -> None:
    stage = load_stage(name)
    guarded = {
        s.name
        for s in stage.settings
        if (item := stage.chip.field(s.name)) is not None
        and item.role.removesuffix(".high").removesuffix(".low") in PROTECTIONS
    }
    bare_stage = replace(
        stage, settings=tuple(s for s in stage.settings if s.name not in guarded), modes={}
    )
    result = propose(bare_stage, seconds=4)
    seen = 0
    for pick in result.picks:
        role = pick.role.removesuffix(".high").removesuffix(".low")
        if role in PROTECTIONS and pick.new.band is not None and pick.old.band is not None:
            seen += 1
            assert pick.new.band.typ <= pick.old.band.typ, pick.name
    assert seen + sum(n in result.kept for n in guarded) >= len(guarded)
    before = {v.check: v.relative for v in result.before.verdicts}
    for verdict in result.after.verdicts:
        had = before.get(verdict.check)
        if ".protects" in verdict.check and had is not None and had >= 0:
            assert (verdict.relative or 0.0) >= had - 1e-9, verdict.check


def test_a_threshold_at_reset_is_loosened_where_that_is_asked_for() -> None:
    stage = load_stage("conveyor_drum")
    stage = replace(
        stage, settings=tuple(s for s in stage.settings if s.name != "SUPPLY.OV"), modes={}
    )
    kept = propose(stage, goals=["overvoltage"])
    assert kept.changes == {}
    assert kept.not_loosened["SUPPLY.OV"] == "a protection is not loosened unasked"
    assert (
        propose(stage, goals=["overvoltage"], loosen=["SUPPLY.OV"]).changes["SUPPLY.OV"] == "62 V"
    )


# --- early and in time ------------------------------------------------------------------------------
class Clock:
    """Time that goes on by what is worked out: 2 ms a check, which is slow."""

    def __init__(self) -> None:
        self.now, self.worked = 1000.0, 0

    def monotonic(self) -> float:
        self.now += 1e-5
        return self.now


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    made, work = Clock(), Check.work

    def slow(check: Check, *given: object) -> list[Verdict]:
        made.now += 0.002
        made.worked += 1
        return work(check, *given)  # type: ignore[arg-type]

    monkeypatch.setattr(Check, "work", slow)
    monkeypatch.setattr(proposing, "time", made)
    monkeypatch.setattr(jointly, "time", made)
    return made


@pytest.mark.parametrize(
    ("stage", "modes"),
    [(CASES["pump at 94 % duty"], False), (CASES["drum at 94 % duty"], True), (CASES["drum that must be fast"], True)],
)  # fmt: skip
def test_the_first_better_settings_come_after_few_verdicts(
    stage: Callable[[], Stage], modes: bool, clock: Clock
) -> None:
    """Counted in checks worked out, in looks at the whole stage (tests/bench times it)."""
    made = stage()
    whole = len(assess_over_modes(made).verdicts if modes else assess(made).verdicts)
    clock.worked = 0
    first: list[tuple[int, Progress]] = []

    def told(at: Progress) -> None:
        if at.gain is not None and not first:
            first.append((clock.worked, at))
            raise KeyboardInterrupt

    result = (propose_over_modes if modes else propose)(made, progress=told)
    assert result.interrupted
    worked, at = first[0]
    assert worked < 6 * whole
    assert at.changes
    name, was, now = at.gain or ("", 0.0, 0.0)
    assert now > was
    assert {v.check: v.relative for v in result.before.verdicts}[name] == pytest.approx(was)
    assert result.changes
    assert_fair(result)


@pytest.mark.parametrize("seconds", [1.5, 2.0, 4.0] if ALL else [1.5])
@pytest.mark.parametrize("name", STAGES)
def test_the_time_asked_for_is_kept(name: str, seconds: float, clock: Clock) -> None:
    """With all that is said afterwards, on a machine that takes 2 ms a check."""
    stage = replace(
        CASES["pump at 94 % duty"]() if name == "coolant_pump" else CASES["drum at 94 % duty"](),
        modes={},
    )
    began = clock.now
    result = propose(stage, seconds=seconds)
    assert not result.proven
    assert seconds * 0.6 < clock.now - began < seconds + 0.5


# --- true words -------------------------------------------------------------------------------------
COURSES = """
courses:
  dump: {kind: load dump, points: {0 s: 50 V, 5 ms: 70 V, 200 ms: 54 V}, resistance: 1 ohm}
  second: {kind: load dump, points: {0 s: 50 V, 5 ms: 58 V, 100 ms: 54 V}, resistance: 2 ohm}
suppressor: {breakdown: 56 / 58 / 60 V, resistance: 100 mohm, energy: 2 J, current: 40 A}
"""


def test_each_verdict_of_a_check_is_a_goal_of_its_own() -> None:
    text = (DEVICES / "conveyor_drum.yaml").read_text(encoding="utf-8").partition("\nmodes:")[0]
    stage, problems = read_stage(DEVICES / "of_a_test.yaml", text=text + COURSES)
    assert stage is not None, problems
    names = {v.check for v in assess(stage).verdicts}
    assert names >= {"supply.course-energy.dump", "supply.course-energy.second"}
    made = problem_of(stage)
    found = {g.name for g in made.goals} | {u.check for u in made.not_computed}
    assert {n for n in names if n.startswith("supply.course")} <= found
    result = propose(stage, seconds=3)
    assert result.others_failing == ()
    told = {c.goal for conflict in result.conflicts for c in conflict.clashes}
    failing = {v.check for v in result.after.verdicts if v.status == "fails"}
    assert {n for n in told if n.startswith("supply.course")} <= failing


def test_a_field_is_said_to_help_only_where_it_does() -> None:
    """The wake-up time hangs on no setting; the dead time on what is kept by name."""
    stage = with_settings(load_stage("coolant_pump"), {"TIMING.DEAD_TIME": "min"})
    result = propose(stage, free=["SENSE.GAIN"], goals=["deadtime.enough"])
    for conflict in result.conflicts:
        assert conflict.held["TIMING.DEAD_TIME"] == "kept: not among the fields that are freed"
        for name in conflict.held:
            check = conflict.clashes[0].goal
            item = stage.chip.field(name)
            assert item is not None
            margins = []
            for code in range(1 << item.width):
                bank = stage.bank
                bank.put(item, code)
                margins += [v.relative or -math.inf for v in assess(stage, bank, [check]).verdicts]
            now = {v.check: v.relative for v in result.after.verdicts}[check]
            assert max(margins) > (now or 0.0), name


def test_no_settings_are_said_to_meet_all_goals_only_where_that_is_known(
    dead_time_alone: Proposal,
) -> None:
    from regmap.cli.propose import verdict_of

    assert not dead_time_alone.feasible
    assert re.match("No settings meet all goals", verdict_of(dead_time_alone))
    hurried = propose(CASES["drum at 94 % duty"](), seconds=1e-9)
    assert not hurried.conflicts
    assert re.match("Goals are missed", verdict_of(hurried))
