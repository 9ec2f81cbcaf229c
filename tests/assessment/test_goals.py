"""Goals against the whole assessment: whatever is set, both say the same of every verdict."""

from __future__ import annotations

import math
import random
from pathlib import Path

import pytest

from regmap.assessment.goals import problem_of
from regmap.assessment.problem import GoalProblem, Looked, WiderError
from regmap.assessment.propose import propose
from regmap.assessment.stage import assess
from regmap.errors import CallError
from regmap.maps.load import find_document
from regmap.stages.load import Stage, load_stage, read_stage

STAGES = ("coolant_pump", "conveyor_drum")


def on_map(name: str) -> Stage:
    """The pump's power stage around another chip at its reset settings: joined values, pages, other meanings."""
    body = Path(find_document("coolant_pump")).read_text().partition("settings:")[0]
    stage, problems = read_stage(
        find_document(name).with_name("stage_of_a_test.yaml"),
        text=body.replace("map: quoll16", f"map: {name}"),
    )
    assert stage is not None, problems
    return stage


@pytest.fixture(
    scope="module", params=[*STAGES, "on bilby32", "on potoroo40", "on wombat24", "on quokka16"]
)
def stage(request: pytest.FixtureRequest) -> Stage:
    name = str(request.param)
    return on_map(name[3:]) if name.startswith("on ") else load_stage(name)


@pytest.fixture(scope="module")
def whole(stage: Stage) -> GoalProblem:
    return problem_of(stage)


@pytest.mark.one_in(3)
def test_goals_seen_to_look_at_less_give_the_same_margins(stage: Stage, whole: GoalProblem) -> None:
    """Whatever the others are set to; where a goal looks further, it says so and is widened."""
    draw, looked = random.Random(5), Looked()
    narrow = problem_of(stage, looked=looked)
    compared = 0
    for _ in range(6):
        names = {v.name: draw.choice(v.codes) for v in whole.variables}
        wanted = {
            g.name: g.margin(tuple(names[whole.variables[n].name] for n in g.scope))
            for g in whole.goals
        }
        while True:
            known = {v.name: v.current for v in narrow.variables} | names
            try:
                found = {
                    g.name: g.margin(tuple(known[narrow.variables[n].name] for n in g.scope))
                    for g in narrow.goals
                }
                break
            except WiderError:
                narrow = problem_of(stage, looked=looked)
        assert found == wanted
        compared += len(found)
    assert compared > 250
    assert sum(len(g.scope) for g in narrow.goals) < sum(len(g.scope) for g in whole.goals)


@pytest.mark.one_in(3)
def test_every_margin_is_that_of_the_whole_assessment(stage: Stage, whole: GoalProblem) -> None:
    """Holds only if each goal's scope names every field that can move it."""
    draw = random.Random(4)
    applied = {v.check for v in assess(stage).verdicts}
    for _ in range(12):
        codes = tuple(draw.choice(v.codes) for v in whole.variables)
        verdicts = {v.check: v for v in assess(stage, whole.bank(codes)).verdicts}
        seen = set()
        for goal in whole.goals:
            margin = goal.margin(tuple(codes[n] for n in goal.scope))
            if goal.name.startswith(("rule ", "meaning ", "reaction.masked.")):
                continue
            verdict = verdicts.get(goal.name)
            if verdict is None:
                assert margin == (-math.inf if goal.name in applied else math.inf)
                continue
            seen.add(goal.name)
            expected = -math.inf if verdict.relative is None else verdict.relative
            assert margin == pytest.approx(expected, rel=1e-9), goal.name
        missed = {n for n in verdicts if n not in seen and n != "reaction.masked"}
        assert missed <= {u.check for u in whole.not_computed}


@pytest.mark.one_in(3)
def test_a_masked_fault_is_a_missed_goal(stage: Stage, whole: GoalProblem) -> None:
    draw = random.Random(5)
    maskable = {
        f"reaction.{kind}.{f.name}"
        for f in stage.chip.faults.values()
        if f.masked_when is not None
        for kind in ("time", "masked")
    }
    goals = [g for g in whole.goals if g.name in maskable]
    for _ in range(12):
        codes = tuple(draw.choice(v.codes) for v in whole.variables)
        verdict = next(
            v for v in assess(stage, whole.bank(codes)).verdicts if v.check == "reaction.masked"
        )
        met = all(g.margin(tuple(codes[n] for n in g.scope)) > -math.inf for g in goals)
        assert met == (verdict.status == "holds")


@pytest.mark.parametrize("name", ["bilby32", "potoroo40"])
@pytest.mark.one_in(2)
def test_proposals_reach_joined_values_and_values_with_several_meanings(name: str) -> None:
    stage = on_map(name)
    result = propose(stage)
    assert result.proven
    bank = result.stage.bank
    assert {p.name: bank.code(p.name) for p in result.picks} == {
        p.name: p.new.code for p in result.picks
    }
    assert result.smallest[0] >= result.smallest_before[0]


def test_what_drives_or_locks_the_chip_is_not_searched(whole: GoalProblem) -> None:
    roles = {i.role for i in whole.items}
    assert not roles & {
        "sleep",
        "drive.enable",
        "lock",
        "watchdog.service",
        "pwm.mode",
        "sense.calibrate",
    }
    assert roles & {"vds.threshold", "vds.threshold.high"}


def test_names_are_checked() -> None:
    stage = load_stage("coolant_pump")
    for options, text in (
        ({"free": ["TIMING.DEADTIME"]}, "TIMING.DEAD_TIME"),
        ({"keep": ["GATE_HS.SORCE"]}, "GATE_HS.SOURCE"),
        ({"goals": ["gate.rise"]}, "gate.rise-time"),
    ):
        with pytest.raises(CallError, match=text):
            problem_of(stage, **options)  # type: ignore[arg-type]


def test_only_what_is_freed_is_searched_and_only_what_is_asked_for_is_a_goal() -> None:
    stage = load_stage("coolant_pump")
    made = problem_of(stage, free=["TIMING.DEAD_TIME", "GATE_HS.SINK"], goals=["deadtime"])
    assert {v.name for v in made.variables} == {"TIMING.DEAD_TIME", "GATE_HS.SINK"}
    assert all(
        g.name.startswith(("deadtime.", "rule ")) for g in made.goals if g.name not in made.guards
    )
    kept = problem_of(stage, keep=["TIMING.DEAD_TIME"])
    assert "TIMING.DEAD_TIME" not in {v.name for v in kept.variables}
    assert kept.kept["TIMING.DEAD_TIME"] == "kept as asked"
