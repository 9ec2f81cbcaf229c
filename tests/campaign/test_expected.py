"""The limits of a campaign against the checks: what the outputs drive needs its part of the fault tolerant time.

Detection, reaction and actuator together must end within it: ISO 26262-1:2018, 3.55 to 3.61 (secondary).
"""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import pytest

from regmap.assessment.stage import assess
from regmap.calc import Verdict
from regmap.campaign.expected import Expected, expected
from regmap.campaign.run import run_campaign
from regmap.maps.load import bundled
from regmap.stages.load import Stage, load_stage
from regmap.stages.whatif import with_inputs
from tests.campaign.test_follow import MODES, campaign_of

STAGES = [n for n, p in bundled("devices").items() if "gateword_stage:" in p.read_text("utf-8")]
ACTUATOR = {"actuator.reaction": "8 / 10 / 12 ms"}


def reactions(stage: Stage) -> Iterator[tuple[Verdict, Expected]]:
    """Each `reaction.time.FAULT` that is computed, with what a campaign expects of that fault."""
    for verdict in assess(stage, names=["reaction.time"]).verdicts:
        fault = stage.chip.faults[verdict.check.removeprefix("reaction.time.")]
        if verdict.value is not None and not verdict.reason:
            yield verdict, expected(stage.chip, stage.bank, fault, stage.params)


def part(verdict: Verdict, symbol: str) -> float:
    assert verdict.value is not None
    (found,) = {v.high for v in verdict.value.tree() if v.symbol == symbol}
    return float(found)


@pytest.mark.parametrize("changes", [{}, ACTUATOR], ids=["none stated", "12 ms at most"])
@pytest.mark.parametrize("name", STAGES)
def test_the_limit_is_what_the_check_leaves_of_the_fault_tolerant_time(
    name: str, changes: dict[str, str]
) -> None:
    stage = with_inputs(load_stage(name), changes) if changes else load_stage(name)
    seen = 0
    for verdict, want in reactions(stage):
        assert verdict.limit is not None
        after = part(verdict, "t_act")
        assert after == pytest.approx(12e-3 if changes else 0)
        assert want.limits["reaction"] == pytest.approx(float(verdict.limit.low) - after)
        assert ("actuator" in want.origins["reaction"]) == bool(changes)
        seen += 1
    assert seen > 5


@pytest.mark.parametrize("name", STAGES)
def test_both_say_yes_and_no_at_the_same_time(name: str) -> None:
    """With a fault tolerant time that is just what a fault takes, and with a microsecond less."""
    stage = with_inputs(load_stage(name), ACTUATOR)
    slowest, _ = max(reactions(stage), key=lambda pair: pair[0].value.high)  # type: ignore[union-attr]
    assert slowest.value is not None
    whole = Fraction(slowest.value.high)
    own = float(whole) - part(slowest, "t_act")
    for spare, holds in ((Fraction(1, 10**6), True), (-Fraction(1, 10**6), False)):
        ftti = f"{float((whole + spare) * 10**6):.6f} us"
        near = with_inputs(stage, {"safety.ftti": ftti})
        verdict, want = next(p for p in reactions(near) if p[0].check == slowest.check)
        assert (verdict.status != "fails") is holds
        assert (own <= want.limits["reaction"]) is holds


def test_a_run_is_held_to_that_limit(tmp_path: Path) -> None:
    """The mode that follows on a fault is entered in the same time each run, and in time or not by the actuator's part."""

    def ran(actuator: str) -> tuple[str, float, float]:
        campaign = campaign_of(
            tmp_path, "faults: [OT_WARN]\n", f"{MODES}actuator.reaction: {actuator}\n"
        )
        (result,) = run_campaign(campaign)
        assert result.to_mode is not None
        assert result.limits["mode"] == result.limits["reaction"]
        return result.verdict, result.limits["mode"], result.to_mode

    verdict, limit, took = ran("8 / 10 / 12 ms")
    assert (verdict, limit) == ("pass", pytest.approx(0.2 - 0.012))
    assert took < limit
    verdict, limit, again = ran(f"{(0.2 - took / 2) * 1e3:.6f} ms")
    assert again > limit == pytest.approx(took / 2, rel=1e-3)
    assert verdict == "fail"
