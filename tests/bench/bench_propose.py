"""How much a joint search over every field costs, in whole assessments of the same stage in the same run.

Run: python -m pytest -s tests/bench/bench_propose.py

Twenty-odd fields with up to 256 codes each make more than 10^20 combinations; the floor is the
price of one look at every verdict.
"""

from __future__ import annotations

import time
from dataclasses import replace

import pytest

from regmap.assessment.propose import propose
from regmap.assessment.stage import assess
from regmap.quantity import parse_band
from regmap.stages.load import Stage, load_stage

#: changed parameters -> assessments that the search may cost at most
CASES = {
    "as bundled": ({}, 1500),
    "wide limits": (
        {
            "limits.rise_time.max": "1500 ns",
            "limits.fall_time.max": "1500 ns",
            "limits.rise_time.min": "1 ns",
            "limits.fall_time.min": "1 ns",
            "limits.didt": "50 A/ns",
            "limits.dvdt": "50 V/ns",
        },
        4000,
    ),
    "impossible": ({"pwm.frequency": "60 kHz"}, 8000),
}


def changed(stage: Stage, texts: dict[str, str]) -> Stage:
    params = dict(stage.params)
    for name, text in texts.items():
        params[name] = replace(params[name], value=parse_band(text))
    return replace(stage, params=params)


@pytest.mark.parametrize("name", CASES)
def test_cost_of_a_proposal(name: str) -> None:
    texts, most = CASES[name]
    stage = changed(load_stage("conveyor_drum"), texts)
    assess(stage)
    start = time.process_time()
    for _ in range(40):
        assess(stage)
    one = (time.process_time() - start) / 40
    start = time.process_time()
    result = propose(stage)
    cost = (time.process_time() - start) / one
    print(  # noqa: T201
        f"{name}: {cost:.0f} assessments of {one * 1000:.1f} ms, {result.evaluations} verdicts, {result.steps} steps"
    )
    assert result.proven
    assert cost < most
