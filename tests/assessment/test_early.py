"""The first answer of a search: it comes early, mends what can be mended, and changes no more than that needs."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path

import pytest

from regmap.assessment.early import early
from regmap.assessment.order import count, worth
from regmap.assessment.proposal import Progress
from regmap.assessment.propose import propose
from regmap.assessment.search import Choosable, Codes, Goal, Judged
from regmap.assessment.shrink import shrink
from regmap.assessment.stage import assess, with_settings
from regmap.calc.consequences import BRIDGE, consequence
from regmap.chip.values import options
from regmap.stages.load import Stage, load_stage
from tests.assessment.ranks import put

HERE = Path(__file__).parent
#: Over a hundred verdicts, of which twenty fail, most of them whatever is set.
FAST = HERE / "fast_wheel.yaml"
SHORT = HERE / "short_deadtime.yaml"


def test_of_a_stage_of_which_much_fails_the_first_answer_comes_within_two_seconds() -> None:
    """Of processor time, from the loaded stage on: a machine that does other things as well is no fault of ours."""
    stage = load_stage(str(FAST))
    began, first = time.process_time(), []

    def told(at: Progress) -> None:
        if at.gain is not None and not first:
            first.append((time.process_time() - began, at))
            raise KeyboardInterrupt

    result = propose(stage, progress=told)
    assert len(result.before.verdicts) > 100
    assert first
    assert first[0][0] < 2
    failing = [{v.check for v in a.verdicts if v.status == "fails"} for a in (result.before, result.after)]  # fmt: skip
    assert len(failing[1]) < len(failing[0])
    assert not [c for c in failing[1] - failing[0] if consequence(c) == BRIDGE]
    assert "vds.turn-off-overshoot.high" in failing[0] - failing[1]


def test_a_slower_turn_off_brings_the_dead_time_that_it_wants() -> None:
    """The overshoot asks for a third of the sink current, and then the turn-off outlasts the dead time."""
    stage = load_stage(str(FAST))
    slow = with_settings(stage, {"SNK_HS.CURRENT": "112 mA"})
    after = {v.check: v.status for v in assess(slow).verdicts}
    assert after["vds.turn-off-overshoot.high"] != "fails"
    assert after["deadtime.enough.high"] == "fails"
    result = propose(stage, seconds=4)
    after = {v.check: v.status for v in result.after.verdicts}
    assert after["vds.turn-off-overshoot.high"] != "fails"
    assert after["deadtime.enough.high"] != "fails"


def least_dead_time(stage: Stage) -> int:
    """The lowest code with which no dead time is too short, one after the other."""
    item = stage.chip.field("DEADTIME.TIME")
    assert item is not None
    for reading in options(item, stage.bank):
        bank = stage.bank
        put(bank, {"DEADTIME.TIME": reading.code})
        if all(v.status != "fails" for v in assess(stage, bank, ["deadtime.enough"]).verdicts):
            return reading.code
    raise AssertionError


def test_a_dead_time_is_made_no_longer_than_its_verdict_asks_where_time_ends_the_search() -> None:
    """A search that is cut off early, and one that found a longer dead time than it needs by then."""
    stage = load_stage(str(SHORT))
    least = least_dead_time(stage)
    for budget in (15, 40):
        result = propose(stage, free=["DEADTIME.TIME"], budget=budget, seconds=2)
        assert not result.proven
        (pick,) = result.picks
        assert pick.new.code == least


# --- on goals of our own --------------------------------------------------------------------------
def goal(name: str, scope: tuple[int, ...], work: Callable[[Codes], float], base: Codes) -> list[Goal]:  # fmt: skip
    """A verdict as `propose` weighs it: its worth, and where it fails whether it still does."""
    made = Goal(name, scope, work)
    has = made.judged(base)
    made.weigh, made.counts = worth(name, has), True
    found = [made]
    if has.margin < 0:
        found.append(Goal(name, scope, work, made.known, count(name)))
    return found


VARIABLES = {
    0: Choosable("current", tuple(range(64)), 40),
    1: Choosable("time", tuple(range(64)), 5),
}


def overshoot(codes: Codes) -> float:
    return (20 - codes[0]) / 20


def long_enough(codes: Codes) -> float:
    """A current of 40 wants a time of 10, which is not there, one of 20 twice that."""
    return codes[1] / (400 / max(codes[0], 1)) - 1


def loss(codes: Codes) -> float:
    return (30 - codes[0]) / 30


def told_of(goals: list[Goal]) -> list[dict[int, int]]:
    found: list[dict[int, int]] = []
    start = {n: v.current for n, v in VARIABLES.items()}
    early(VARIABLES, goals, start, 1.5, lambda codes: found.append(dict(codes)), lambda: None, lambda: None)  # fmt: skip
    return found


def test_what_a_change_breaks_is_mended_by_a_second_one() -> None:
    goals = [
        *goal("vds.turn-off-overshoot.high", (0,), overshoot, (40,)),
        *goal("deadtime.enough.high", (0, 1), long_enough, (40, 5)),
    ]
    found = told_of(goals)
    assert found[0] == {0: 40, 1: 10}  # the graver by less
    assert found[1] == {0: 20, 1: 20}


def test_nothing_is_taken_that_makes_more_fail_or_something_graver() -> None:
    """To mend the milder one breaks the graver, for which there is no second change."""
    goals = [
        *goal("sense.error", (0,), lambda c: (20 - c[0]) / 20, (40,)),
        *goal("thermal.mosfet.high", (0,), lambda c: (c[0] - 35) / 35, (40,)),
    ]
    assert all(codes[0] >= 35 for codes in told_of(goals))
    both = [
        *goal("sense.error", (0,), lambda c: (20 - c[0]) / 20, (40,)),
        *goal("sense.settling", (0,), lambda c: (c[0] - 35) / 35, (40,)),
        *goal("sense.step", (0,), lambda c: (c[0] - 35) / 35, (40,)),
    ]
    assert all(codes[0] >= 35 for codes in told_of(both))


@pytest.mark.parametrize("other", [0.6, -0.2])
def test_a_change_is_taken_back_as_far_as_what_it_mended_stays_mended(other: float) -> None:
    """The time costs another verdict, which holds with less, or fails by more, for no need."""
    goals = [
        Goal("deadtime.enough.high", (0, 1), long_enough),
        Goal("sense.settling", (1,), lambda c: other - c[0] / 1000),
    ]
    assert shrink(VARIABLES, goals, {0: 20, 1: 60}, lambda: None) == {0: 40, 1: 10}
    # with a current that something else asks for
    goals.append(Goal("vds.turn-off-overshoot.high", (0,), overshoot))
    assert shrink(VARIABLES, goals, {0: 15, 1: 60}, lambda: None) == {0: 20, 1: 20}


def test_what_mends_nothing_is_not_taken_back() -> None:
    goals = [Goal("thermal.mosfet.high", (0,), lambda c: -c[0] / 100)]
    assert shrink(VARIABLES, goals, {0: 5, 1: 10}, lambda: None) == {0: 5, 1: 10}


def test_what_holds_stays_holding_and_nothing_falls_deeper() -> None:
    """A low margin is a class of its own, and a verdict that fails keeps what it had."""
    goals = [
        Goal("deadtime.enough.high", (1,), lambda c: Judged(c[0] / 20 - 1, 0.5)),
        Goal("thermal.mosfet.high", (0,), lambda c: -abs(c[0] - 45) / 100),
    ]
    made = shrink(VARIABLES, goals, {0: 35, 1: 60}, lambda: None)
    assert made[1] == 30
    # 35 falls deeper than 40 did: what is taken back may be as deep as that, no deeper
    assert made[0] == 40
