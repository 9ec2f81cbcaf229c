"""What a verdict depends on, against brute force: every option of every setting, values around every stage value.

The judge knows no record of what a check looked up: it runs all checks anew for each value.
"""

from __future__ import annotations

import os
from dataclasses import replace
from fractions import Fraction
from typing import Any

import pytest

from regmap.assessment.stage import inputs_of
from regmap.calc import run
from regmap.draft import Draft
from regmap.draft.statements import settle, stated
from regmap.errors import CallError
from regmap.quantity import Band
from regmap.stages.load import choices_of, load_stage, settled

ALL = os.environ.get("GATEWORD_ALL") == "1"
STAGES = ("coolant_pump", "conveyor_drum")


def outcome(stage: Any, bank: Any) -> dict[str, object]:
    return {
        v.check: (v.status, None if v.relative is None else round(v.relative, 9), v.missing)
        for v in run(inputs_of(stage, bank))
        if not any(f"{v.check}.".startswith(f"{w}.") for w in stage.waive)
    }


def differing(one: dict[str, object], other: dict[str, object]) -> set[str]:
    return {n for n in {*one, *other} if one.get(n) != other.get(n)}


@pytest.mark.parametrize("name", STAGES)
@pytest.mark.one_in(2)
def test_every_setting_moves_what_brute_force_says(name: str) -> None:
    draft = Draft(load_stage(name))
    base = outcome(draft.stage, draft.bank)
    moving = 0
    for setting in draft.names() if ALL else draft.names()[::4]:
        wanted: set[str] = set()
        options = draft.options(setting)
        few = len(options) <= 16
        for option in options if few else [*options[:: len(options) // 8], options[-1]]:
            text = f"0x{option.code:X}"
            settled_to = settle(draft.chip, draft.stage.params, stated(
                draft.chip, draft.statements, setting, text, draft.bank
            ))  # fmt: skip
            wanted |= differing(base, outcome(draft.stage, settled_to.bank))
        told = [v.check for v in draft.depending(setting)]
        assert wanted <= set(told), setting
        assert not few or set(told) == wanted, setting
        assert len(told) == len(set(told))
        moving += bool(wanted)
    assert moving > (15 if ALL else 3)


@pytest.mark.parametrize("name", STAGES)
@pytest.mark.one_in(2)
def test_every_stage_value_moves_what_brute_force_says(name: str) -> None:
    draft = Draft(load_stage(name))
    stage = draft.stage
    base = outcome(stage, draft.bank)
    moving, bands = 0, [k for k, p in stage.params.items() if isinstance(p.value, Band)]
    tried = bands if ALL else bands[::3]
    for key in tried:
        param = stage.params[key]
        assert isinstance(param.value, Band)
        wanted: set[str] = set()
        for share in (Fraction(9, 10), Fraction(11, 10)):
            band = param.value
            ends = sorted(share * v for v in (band.low, band.typ, band.high))
            value = replace(band, low=ends[0], typ=ends[1], high=ends[2])
            params = {**stage.params, key: replace(param, value=value)}
            choices, _ = choices_of(stage.chip, [(s.name, s.asked) for s in stage.settings], params)
            made = tuple(
                replace(s, choice=c) for s, c in zip(stage.settings, choices, strict=True) if c
            )
            there = replace(stage, params=params, settings=made)
            wanted |= differing(base, outcome(there, settled(stage.chip, made, params)))
        assert {v.check for v in draft.depending(key)} == wanted, key
        moving += bool(wanted)
    assert moving > 0.6 * len(tried)


def test_a_fault_mask_is_a_dependence_and_a_verdict_names_what_decides_it() -> None:
    draft = Draft(load_stage("coolant_pump"))
    masks = [
        n
        for f in draft.chip.faults.values()
        if f.masked_when is not None
        for n in f.masked_when.names()
        if n in draft.names()
    ]
    assert masks
    for mask in masks:
        assert draft.depending(mask), mask
    settings, values = draft.decides("deadtime.enough.high")
    assert "TIMING.DEAD_TIME" in settings
    assert "mosfet.qgs" in values
    assert "WATCHDOG.WINDOW" not in settings
    with pytest.raises(CallError, match="nearest"):
        draft.decides("deadtime.enouhg")
