"""The sweep command: every option, the verdicts that it moves, the best by brute force."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from typing import Any

import pytest

from regmap.assessment.stage import assess, with_settings
from regmap.assessment.sweep import Sweep, sweep
from regmap.stages.load import Stage, load_stage

Run = Callable[..., Any]


def by_hand(stage: Stage, result: Sweep) -> tuple[int, ...]:
    """Codes that are best by whole assessments of each option: fewest verdicts failed or lost, largest smallest margin."""
    table = {}
    for row in result.rows:
        there = with_settings(stage, {result.name: f"0x{row.reading.code:X}"})
        table[row.reading.code] = {v.check: v for v in assess(there).verdicts}
    moved = set(result.moved)
    answered = {
        c
        for verdicts in table.values()
        for c, v in verdicts.items()
        if c in moved and v.relative is not None
    }
    ranks = {}
    for code, verdicts in table.items():
        fails = sum(verdicts[c].status == "fails" for c in moved if c in verdicts)
        lost = sum(c not in verdicts or verdicts[c].relative is None for c in answered)
        margins = [
            round(float(verdicts[c].relative or 0), 11)
            for c in moved
            if c in verdicts and verdicts[c].relative is not None
        ]
        ranks[code] = (-fails - lost, min(margins, default=0.0))
    best = max(ranks.values())
    return tuple(c for c, r in ranks.items() if r == best)


@pytest.mark.parametrize(
    ("name", "field"),
    [
        ("coolant_pump", "TIMING.DEAD_TIME"),
        ("coolant_pump", "GATE_HS.SINK"),
        ("coolant_pump", "SENSE.GAIN"),
        ("coolant_pump", "SENSE.OC_EN"),
        ("coolant_pump", "WATCHDOG.ENABLE"),
        ("coolant_pump", "SUPPLY.UV"),
        ("coolant_pump", "SUPPLY.OV_MUTE"),
        ("conveyor_drum", "WATCHDOG.CLOSED"),
        ("conveyor_drum", "SUPPLY.OV"),
        ("conveyor_drum", "VDS_LS.THRESHOLD"),
        ("conveyor_drum", "REACTION.VDS"),
    ],
)
@pytest.mark.one_in(4)
def test_best_is_that_of_brute_force(name: str, field: str) -> None:
    stage = load_stage(name)
    result = sweep(stage, field)
    best = result.best
    assert best is not None
    codes = by_hand(stage, result)
    assert best.reading.code in codes
    now = next(r for r in result.rows if r.current)
    if now.reading.code in codes:
        assert best is now  # no reason to change


def test_an_option_that_makes_verdicts_vanish_is_not_the_best() -> None:
    stage = load_stage("coolant_pump")
    for field, kept in (("SENSE.OC_EN", "on"), ("WATCHDOG.ENABLE", "on")):
        best = sweep(stage, field).best
        assert best is not None
        assert best.reading.name == kept
    closed = sweep(load_stage("conveyor_drum"), "WATCHDOG.CLOSED").best
    assert closed is not None
    assert closed.reading.name != "none"


def test_each_row_is_the_assessment_at_that_option() -> None:
    stage = load_stage("conveyor_drum")
    result = sweep(stage, "VDS_HS.THRESHOLD")
    assert len(result.rows) == 32
    for row in result.rows[::5]:
        verdicts = {
            v.check: v
            for v in assess(
                with_settings(stage, {"VDS_HS.THRESHOLD": f"0x{row.reading.code:X}"})
            ).verdicts
        }
        for check in result.moved:
            assert row.verdicts[check].relative == pytest.approx(verdicts[check].relative)
        assert row.current == (row.reading.code == stage.bank.code("VDS_HS.THRESHOLD"))


def test_the_table(gateword: Run) -> None:
    result = gateword("sweep", "coolant_pump", "TIMING.DEAD_TIME")
    assert result.status == 0
    lines = result.out.splitlines()
    assert max(map(len, lines)) <= 80
    marked = [line for line in lines if line.startswith("*")]
    assert len(marked) == 1
    assert "1 us" in marked[0]
    assert "FAILS" in result.out
    assert (
        lines[-1].startswith("Best: TIMING.DEAD_TIME = 1 us")
        or "Best: TIMING.DEAD_TIME = 1 us" in result.out
    )


def test_json_has_a_row_for_each_option(gateword: Run) -> None:
    made = json.loads(gateword("sweep", "coolant_pump", "SENSE.GAIN", "--json").out)
    assert made["schema"] == 1
    assert [r["code"] for r in made["rows"]] == [0, 1, 2, 3]
    assert sum(r["best"] for r in made["rows"]) == 1
    assert sum(r["current"] for r in made["rows"]) == 1
    assert set(made["rows"][0]["verdicts"]) == set(made["moved"])


def test_a_field_that_moves_nothing_and_wrong_names(gateword: Run) -> None:
    assert "no verdict that depends on it" in gateword("sweep", "coolant_pump", "MODE.RETRY").out
    for field, near in (
        ("TIMING.DEADTIME", "TIMING.DEAD_TIME"),
        ("STATUS1.ANY", "holds no setting"),
    ):
        result = gateword("sweep", "coolant_pump", field)
        assert result.status == 2
        assert near in result.err


@pytest.mark.parametrize(
    ("stage", "field", "changes"),
    [
        ("coolant_pump", "GATE_HS.SINK", ()),
        ("conveyor_drum", "DEADTIME.TIME", ()),
        (
            "coolant_pump",
            "GATE_HS.SOURCE",
            ("--set", "TIMING.DEAD_TIME=2 us"),
        ),  # two fail at every option
    ],
)
@pytest.mark.one_in(3)
def test_every_number_in_the_rows_has_its_check_above(
    gateword: Run, stage: str, field: str, changes: tuple[str, ...]
) -> None:
    lines = gateword("sweep", stage, field, *changes).out.splitlines()
    head = next(n for n, line in enumerate(lines) if line.lstrip().startswith("code"))
    named = {
        m[1] for line in lines[:head] if (m := re.match(r"\[(\d+)\] \S+(?: in [\w ]+)?:", line))
    }
    used = set(re.findall(r"\[(\d+)\](?:FAILS|thin)", "\n".join(lines[head:])))
    assert used
    assert used <= named


def test_an_input_of_the_stage_is_swept_over_a_span(gateword: Run) -> None:
    result = gateword("sweep", "coolant_pump", "pwm.frequency", "10..60kHz", "--steps", "6")
    assert result.status == 0
    assert max(map(len, result.out.splitlines())) <= 80
    assert "pwm.frequency: all verdicts that change hold at 10 kHz to 20 kHz." in result.out
    made = json.loads(
        gateword("sweep", "coolant_pump", "supply.max", "16..19V", "--steps", "4", "--json").out
    )
    assert made["of_input"] is True
    assert [r["name"] for r in made["rows"]] == ["16 V", "17 V", "18 V", "19 V"]
    for arguments, said in (
        (("pwm.frequency",), "expected a span, as 10..60kHz"),
        (("pwm.frequencie", "1..2kHz"), "nearest: pwm.frequency"),
        (("TIMING.DEAD_TIME", "1..2us"), "no input of the stage"),
        (("pwm.duty.max", "110..120%"), "expected at most 100 %"),
    ):
        refused = gateword("sweep", "coolant_pump", *arguments)
        assert refused.status == 2
        assert said in " ".join(refused.err.split())


def test_check_judges_with_another_input(gateword: Run) -> None:
    shown = gateword("check", "coolant_pump", "supply", "--set", "supply.max=18V").out
    assert "supply.voltage: 8 V / 13.5 V / 18 V by --set, not as the stage has it" in shown
    told = gateword("check", "coolant_pump", "--set", "pwm.frequency=40 kHz", "--json")
    made = json.loads(told.out)
    assert told.status == 1
    assert made["inputs_changed"].keys() == {"pwm.frequency"}
    assert "sense.settling" in {v["check"] for v in made["verdicts"] if v["status"] == "fails"}
    both = gateword(
        "check", "coolant_pump", "--set", "pwm.frequency=40 kHz", "--set", "GATE_HS.SOURCE=min"
    )
    assert both.status == 1
    refused = gateword("check", "coolant_pump", "--set", "supply.max=48V")
    assert refused.status == 2
    assert "expected at most the chip's supply.max, 40 V" in " ".join(refused.err.split())


def test_a_register_where_a_field_is_expected_names_its_fields(gateword: Run) -> None:
    done = gateword("sweep", "coolant_pump", "TIMING")
    assert done.status == 2
    assert "TIMING is a register of quoll16; expected a field or value, one of its fields:" in (
        " ".join(done.err.split())
    )
    assert "TIMING.DEAD_TIME" in done.err
    assert "nearest: TIMING\n" not in done.err
