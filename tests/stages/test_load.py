"""Stage files: every problem in one run, at its place; settings keep what was asked and chosen."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import jsonschema
import pytest
import yaml

from regmap.errors import FileError
from regmap.maps.load import bundled, find_document, load_map
from regmap.stages.grammar import json_schema
from regmap.stages.load import load_stage, read_stage

HEAD = "gateword_stage: 1\nstage: {name: t}\nmap: quoll16\n"


def problems(text: str) -> list[str]:
    return [str(p) for p in read_stage("s.yaml", text=HEAD + text)[1]]


def test_settings_become_codes_with_asked_chosen_and_error() -> None:
    stage, found = read_stage(
        "s.yaml",
        text=HEAD + "settings:\n  GATE_HS: {SOURCE: 55 mA, HOLD: 240mA}\n  VDS.THRESHOLD: max\n",
    )
    assert not found
    assert stage is not None
    by_name = {s.name: s for s in stage.settings}
    source = by_name["GATE_HS.SOURCE"]
    assert (source.asked, source.choice.code, source.choice.error) == ("55 mA", 4, Fraction(1, 55))
    assert source.origin == "s.yaml:5"
    assert by_name["VDS.THRESHOLD"].choice.code == 15
    assert by_name["GATE_HS.HOLD"].choice.code == 2
    # hold 2, sink at its reset code 4, source 4, in the fields' places
    assert stage.bank.words["GATE_HS"] == 2 << 8 | 4 << 4 | 4


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "settings: {GATE_HX.SOURCE: 1 A}\n",
            "s.yaml:4:12: error: quoll16 has no field 'GATE_HX.SOURCE'; expected a field or value of the map; nearest: GATE_HS.SOURCE [settings]",
        ),
        (
            "settings: {GATE_HS: {SOURC: 1 A}}\n",
            "s.yaml:4:22: error: quoll16 has no field 'GATE_HS.SOURC'; expected a field or value of the map; nearest: GATE_HS.SOURCE [settings]",
        ),
        (
            "settings: {GATE_HS.SOURCE: 3 A}\n",
            "s.yaml:4:28: error: 3 A is outside what SOURCE can do, 12 mA..680 mA; nearest: 680 mA [GATE_HS.SOURCE]",
        ),
        (
            "settings: {GATE_HS.SOURCE: 3 V}\n",
            "s.yaml:4:28: error: '3 V' is a voltage; SOURCE is a current [GATE_HS.SOURCE]",
        ),
        (
            "settings: {GATE_HS.SOURCE: 0x10}\n",
            "s.yaml:4:28: error: 0x10 does not fit SOURCE: 4 bits hold 0..15 [GATE_HS.SOURCE]",
        ),
        (
            "settings: {MODE.PWM: six_inptu}\n",
            "s.yaml:4:22: error: 'six_inptu' is not a choice of PWM; nearest: six_input [MODE.PWM]",
        ),
        (
            "settings: {STATUS1.OT: 1}\n",
            "s.yaml:4:12: error: a value for STATUS1.OT, which is ro; expected a field that holds a setting [settings]",
        ),
        (
            "mosfet: {qg: 60 ns}\n",
            "s.yaml:4:14: error: '60 ns' is a time; expected a charge (in C) [mosfet.qg]",
        ),
        (
            "mosfet: {qgg: 60 nC}\n",
            "s.yaml:4:10: error: the parameter 'mosfet.qgg'; expected a parameter of the fixed list; nearest: mosfet.qg",
        ),
        ("mosfett: {qg: 60 nC}\n", "nearest: mosfet"),
        (
            "adc: {bits: 1e3}\n",
            "s.yaml:4:13: error: '1e3'; expected a whole number 0..1000000 [adc.bits]",
        ),
        ("pwm: {frequency: -20 kHz}\n", "more than zero"),
        (
            "waive: {gate.miller: 5, gate.miller: 6}\n",
            "the key 'gate.miller' again; expected it once (first at line 4)",
        ),
        ("settings: {SENSE.CAL: on}\n", "rule no_calibration_left_on is broken"),
    ],
)
def test_each_mistake_has_its_message(text: str, expected: str) -> None:
    found = problems(text)
    assert len(found) == 1
    assert expected in found[0]


def test_all_problems_in_one_run() -> None:
    text = "settings: {GATE_HS.SOURCE: 3 A, MODE.PWM: no}\nmosfet: {qg: 60 ns}\nbogus: 1\n"
    found = problems(text)
    assert [p.split(": error")[0] for p in found] == [
        "s.yaml:4:28",
        "s.yaml:4:43",
        "s.yaml:5:14",
        "s.yaml:6:1",
    ]  # from top to bottom


def test_a_stage_of_an_unknown_map_says_which_exist() -> None:
    _, found = read_stage("s.yaml", text=HEAD.replace("quoll16", "quol16"))
    assert "nearest: quoll16" in str(found[0])
    assert "coolant_pump" not in str(found[0])  # only what would do there is offered


def test_maps_are_offered_where_a_map_is_wanted_and_stages_where_a_stage_is() -> None:
    maps = {"quoll16", "quokka16", "kowari16", "bilby32"}
    stages = {"coolant_pump", "conveyor_drum", "radiator_fan", "fan_second_source"}
    for kind, offered, other in (("map", maps, stages), ("stage", stages, maps)):
        with pytest.raises(FileError) as caught:
            (load_map if kind == "map" else load_stage)(
                "quoll16x" if kind == "map" else "coolant_pumpx"
            )
        (problem,) = caught.value.problems
        names = set(problem.expected.removeprefix("a path, or one of ").split(", "))
        assert offered <= names
        assert not other & names
        assert f"no bundled {kind} of that name" in problem.found
    with pytest.raises(FileError) as caught:
        find_document("quoll16x")
    assert "coolant_pump" in caught.value.problems[0].expected


def test_a_map_beside_the_stage_is_found(tmp_path: Path) -> None:
    (tmp_path / "mine.yaml").write_text(bundled("devices")["quoll16"].read_text())
    (tmp_path / "s.yaml").write_text(HEAD.replace("quoll16", "mine.yaml"))
    assert load_stage(tmp_path / "s.yaml").chip.name == "quoll16"


def test_problems_of_the_map_are_told_with_the_maps_place(tmp_path: Path) -> None:
    (tmp_path / "mine.yaml").write_text("gateword_map: 1\nchip: {name: x}\n")
    (tmp_path / "s.yaml").write_text(HEAD.replace("quoll16", "mine.yaml"))
    with pytest.raises(FileError) as caught:
        load_stage(tmp_path / "s.yaml")
    assert all("mine.yaml:1:1" in str(p) for p in caught.value.problems)


def stages() -> list[Path]:
    return [p for p in bundled("devices").values() if "gateword_stage:" in p.read_text()]


@pytest.mark.parametrize("path", stages(), ids=lambda p: p.stem)
def test_shipped_stages_fit_the_schema_and_load(path: Path) -> None:
    # an editor sees every scalar as text where the format leaves the reading to us
    document = yaml.load(path.read_text(), Loader=yaml.BaseLoader)
    document["gateword_stage"] = int(document["gateword_stage"])
    jsonschema.Draft202012Validator(json_schema()).validate(document)
    stage = load_stage(path)
    assert stage.invented
    assert "invented" in stage.title


def test_the_schema_refuses_what_the_loader_refuses() -> None:
    check = jsonschema.Draft202012Validator(json_schema())
    good = {"gateword_stage": 1, "stage": {"name": "t"}, "map": "quoll16"}
    assert check.is_valid(good)
    for broken in (
        {"mosfett": {}},
        {"map": None},
        {"stage": {}},
        {"mosfet": {"qgg": "1 nC"}},
        {"settings": []},
    ):
        assert not check.is_valid({**good, **broken}), broken


def test_a_bound_takes_the_value_that_just_meets_it() -> None:
    """68 mA is code 5 of the map, 82 mA code 6: at least 68 mA is 68 mA."""
    for text, code in (
        (">= 68 mA", 5),
        (">= 68.001 mA", 6),
        ("at least 68 mA", 5),
        ("<= 68 mA", 5),
        ("<= 67.999 mA", 4),
        ("at most 68 mA", 5),
    ):
        stage, found = read_stage("s.yaml", text=HEAD + f"settings: {{GATE_HS.SOURCE: '{text}'}}\n")
        assert not found
        assert stage is not None
        assert stage.settings[0].choice.code == code, text
