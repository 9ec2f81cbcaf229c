"""Variants of a stage and parts in files of their own: one tree, every message at the line where it was written."""

from __future__ import annotations

from pathlib import Path

import jsonschema
import pytest
import yaml

from regmap.assessment.stage import assess
from regmap.errors import CallError
from regmap.quantity import parse_band
from regmap.stages.grammar import json_schema
from regmap.stages.layers import read_part
from regmap.stages.load import Stage, load_stage, read_stage
from regmap.stages.save import read_stage_text, save_stage

BASE = """gateword_stage: 1
stage: {name: base, title: the twelve volt board, invented: yes}
map: quoll16
supply: {voltage: 12 V, driver: 10 V}
mosfet:
  qg: 45 / 60 / 72 nC
  rdson: 2 mohm
  rdson_max: 3 mohm
motor.current: {rms: 20 A, peak: 40 A}
settings:
  GATE_HS: {SOURCE: 120 mA, SINK: 160 mA}
  TIMING.DEAD_TIME: 1 us
waive: {sense.range: measured on the bench}
"""
PART = """gateword_part: 1
part: {name: second source, invented: yes}
mosfet:
  qg: 50 nC
  rdson: 2.5 mohm
"""


def put(folder: Path, name: str, text: str) -> Path:
    path = folder / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)
    return path


def told(path: Path) -> list[str]:
    stage, problems = read_stage(path)
    errors = [p for p in problems if p.severity == "error"]
    assert (stage is None) == bool(errors)
    return [f"{Path(p.place.file).name}:{p.place.line}:{p.place.column}: {p.found}" for p in errors]


def asked(stage: Stage) -> dict[str, str]:
    return {s.name: s.asked for s in stage.settings}


@pytest.fixture(autouse=True)
def base(tmp_path: Path) -> Path:
    text = BASE.replace("  rdson_max: 3 mohm\n", "")
    return put(tmp_path, "base.yaml", text)


def variant(folder: Path, text: str = "") -> Path:
    head = "gateword_stage: 1\nextends: base.yaml\nstage: {name: other}\n"
    return put(folder, "other.yaml", head + text)


def test_a_variant_is_what_differs(tmp_path: Path) -> None:
    """Both spellings of a name lie on each other; a value is replaced whole, not its typ alone."""
    stage = load_stage(
        variant(
            tmp_path,
            "supply.driver: 11 V\nmosfet: {qg: 70 nC}\nmotor: {current: {rms: 25 A}}\n"
            "settings: {GATE_HS.SOURCE: 150 mA, TIMING: {DEAD_TIME: 2 us}, VDS.THRESHOLD: 250 mV}\n",
        )
    )
    assert (stage.name, stage.title, stage.invented) == ("other", "the twelve volt board", True)
    values = {n: p.value for n, p in stage.params.items()}
    for name, text in (
        ("supply.voltage", "12 V"),
        ("supply.driver", "11 V"),
        ("mosfet.qg", "70 nC"),
        ("mosfet.rdson", "2 mohm"),
        ("motor.current.rms", "25 A"),
        ("motor.current.peak", "40 A"),
    ):
        assert values[name] == parse_band(text), name
    assert asked(stage) == {
        "GATE_HS.SOURCE": "150 mA",
        "GATE_HS.SINK": "160 mA",
        "TIMING.DEAD_TIME": "2 us",
        "VDS.THRESHOLD": "250 mV",
    }
    assert stage.waive == {"sense.range": "measured on the bench"}
    assert Path(stage.params["mosfet.rdson"].origin.rpartition(":")[0]).name == "base.yaml"
    assert [Path(f).name for f in stage.files[:2]] == ["other.yaml", "base.yaml"]


def test_a_variant_of_nothing_is_the_stage_itself(tmp_path: Path, base: Path) -> None:
    one, two = load_stage(base), load_stage(variant(tmp_path))
    assert asked(one) == asked(two)
    assert [(v.check, v.status, v.worst_value) for v in assess(one).verdicts] == [
        (v.check, v.status, v.worst_value) for v in assess(two).verdicts
    ]
    assert one.digest != two.digest


def test_what_a_variant_leaves_out(tmp_path: Path) -> None:
    path = variant(
        tmp_path, "without: [GATE_HS.SINK, waive.sense.range, motor.current.peak, mosfet.rdson]\n"
    )
    stage = load_stage(path)
    assert asked(stage) == {"GATE_HS.SOURCE": "120 mA", "TIMING.DEAD_TIME": "1 us"}
    assert stage.waive == {}
    assert set(stage.params) == {
        "supply.voltage",
        "supply.driver",
        "mosfet.qg",
        "motor.current.rms",
    }
    for name in ("GATE_HS.HOLD", "waive.gate", "mosfet.vth", "NOTHING"):
        path = variant(tmp_path, f"without: {name}\n")
        assert told(path) == [f"other.yaml:4:10: '{name}', which the extended stage does not state"]
    alone = put(
        tmp_path,
        "alone.yaml",
        BASE.replace("  rdson_max: 3 mohm\n", "") + "without: TIMING.DEAD_TIME\n",
    )
    assert told(alone) == ["alone.yaml:13:10: `without` in a stage that extends none"]


def test_a_part_is_one_line(tmp_path: Path) -> None:
    """The whole group comes from the part: nothing of the other device stays, but what stands beside it."""
    put(tmp_path, "parts/second.yaml", PART)
    stage = load_stage(variant(tmp_path, "mosfet: parts/second.yaml\n"))
    values = {n: p.value for n, p in stage.params.items() if n.startswith("mosfet")}
    assert values == {"mosfet.qg": parse_band("50 nC"), "mosfet.rdson": parse_band("2.5 mohm")}
    assert stage.params["mosfet.qg"].origin.endswith("second.yaml:4")
    assert any(f.endswith("second.yaml") for f in stage.files)
    stage = load_stage(
        variant(tmp_path, "mosfet: parts/second.yaml\nmosfet.rdson: 4 mohm\nmosfet.rth: 20 K/W\n")
    )
    assert stage.params["mosfet.rdson"].value == parse_band("4 mohm")
    assert stage.params["mosfet.qg"].value == parse_band("50 nC")
    assert "mosfet.rth" in stage.params
    # in a stage that extends none, too
    own = put(tmp_path, "own.yaml", BASE.partition("mosfet:")[0] + "mosfet: parts/second.yaml\n")
    assert load_stage(own).params["mosfet.qg"].value == parse_band("50 nC")
    before = load_stage(own).digest
    put(tmp_path, "parts/second.yaml", PART.replace("50 nC", "51 nC"))
    assert load_stage(own).digest != before


def test_a_line_of_three_with_a_part_in_the_middle(tmp_path: Path) -> None:
    put(tmp_path, "boards/parts/second.yaml", PART)
    put(tmp_path, "boards/base.yaml", BASE.replace("  rdson_max: 3 mohm\n", ""))
    put(
        tmp_path,
        "boards/mid.yaml",
        "gateword_stage: 1\nextends: base.yaml\nmosfet: parts/second.yaml\n",
    )
    top = put(
        tmp_path, "top.yaml", "gateword_stage: 1\nextends: boards/mid.yaml\nmosfet.qg: 55 nC\n"
    )
    stage = load_stage(top)
    assert stage.params["mosfet.qg"].value == parse_band("55 nC")
    assert stage.params["mosfet.rdson"].value == parse_band("2.5 mohm")


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("supply.driver: 32 Q\n", "other.yaml:4:19: unknown unit 'Q'"),
        ("mosfet: {qgg: 3 nC}\n", "other.yaml:4:10:"),
        ("settings: {GATE_HS.SORCE: 1 A}\n", "other.yaml:4:12:"),
        ("mosfet: parts/none.yaml\n", "other.yaml:4:9: 'parts/none.yaml', which is no file"),
        ("mosfet: ../x.yaml\n", "other.yaml:4:9: '../x.yaml', outside the folder of the stage"),
        ("motor: parts/second.yaml\n", "other.yaml:4:8: 'parts/second.yaml', which has no motor of a part"),
        ("mosfet: parts/bad.yaml\n", "bad.yaml:3:16: unknown unit 'kg'"),
        ("mosfet: base.yaml\n", "other.yaml:4:9: 'base.yaml', which has no mosfet of a part"),
        ("mosfet: {qg: 1 nC}\nmosfet.qg: 2 nC\n", "other.yaml:5:1:"),
        ('? "mosfet.' + "a." * 3000 + 'b"\n: 1\n', "other.yaml:4:3: the parameter 'mosfet.a.a"),
        ("modes: {limp: {settings: {GATE_HS.SORCE: 1 A}}}\n", "other.yaml:4:27:"),
    ],
)  # fmt: skip
def test_mistakes_stand_where_they_were_written(tmp_path: Path, text: str, found: str) -> None:
    put(tmp_path, "parts/second.yaml", PART)
    put(tmp_path, "parts/bad.yaml", "gateword_part: 1\npart: {name: bad}\nmosfet: {qg: 5 kg}\n")
    problems = told(variant(tmp_path, text))
    assert len(problems) == 1, problems
    assert problems[0].startswith(found), problems


def test_a_mistake_in_what_is_extended_stands_there(tmp_path: Path) -> None:
    put(tmp_path, "base.yaml", BASE.replace("12 V", "12 Q").replace("  rdson_max: 3 mohm\n", ""))
    assert told(variant(tmp_path, "supply.driver: 1 Q\n")) == [
        "other.yaml:4:18: unknown unit 'Q'",
        "base.yaml:4:22: unknown unit 'Q'",
    ]


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ("extends: self.yaml\n", "self.yaml:2:10: 'self.yaml', which extends this stage in turn"),
        ("extends: ../base.yaml\n", "self.yaml:2:10: '../base.yaml', outside the folder of the stage"),
        ("extends: bse.yaml\n", "self.yaml:2:10: 'bse.yaml', which is no file"),
        ("extends: [base.yaml]\n", "self.yaml:2:10: no file name"),
        ('extends: "a\\0b.yaml"\n', "self.yaml:2:10: 'a\\x00b.yaml', which no file can be called"),
        (f"extends: {'a' * 300}.yaml\n", f"self.yaml:2:10: '{'a' * 60}', which no file can be called"),
        (f"stage: {{name: x}}\nmap: {'a' * 300}.yaml\n", f"self.yaml:3:6: '{'a' * 60}', which no file can be called"),
    ],
)  # fmt: skip
def test_what_cannot_be_extended(tmp_path: Path, text: str, found: str) -> None:
    assert told(put(tmp_path, "in/self.yaml", "gateword_stage: 1\n" + text)) == [found]


def test_saving_changes_the_variant_alone(tmp_path: Path, base: Path) -> None:
    path = variant(tmp_path, "settings: {VDS.THRESHOLD: 250 mV}\n")
    before = base.read_bytes()
    stage = load_stage(path)
    changed = {"GATE_HS.SOURCE": "200 mA", "VDS.THRESHOLD": None}
    saved, _ = save_stage(path, read_stage_text(path), changed, stage.chip)
    assert asked(saved)["GATE_HS.SOURCE"] == "200 mA"
    assert "VDS.THRESHOLD" not in asked(saved)
    assert base.read_bytes() == before
    # what the extended stage states cannot be taken back by leaving it out here
    with pytest.raises(CallError, match=r"GATE_HS\.SINK is stated in .*base\.yaml"):
        save_stage(path, read_stage_text(path), {"GATE_HS.SINK": None}, stage.chip)


def test_the_schema_knows_variants_and_parts() -> None:
    check = jsonschema.Draft202012Validator(json_schema())
    for text in (
        "gateword_stage: 1\nextends: base.yaml\nmosfet: parts/second.yaml\nwithout: [GATE_HS.SINK]\n",
        "gateword_stage: 1\nstage: {name: a}\nmap: quoll16\nmosfet: p.yml\n",
    ):
        check.validate(yaml.safe_load(text))
    with pytest.raises(jsonschema.ValidationError):
        check.validate(yaml.safe_load("gateword_stage: 1\nstage: {name: a}\n"))


@pytest.mark.parametrize(
    ("text", "found"),
    [
        (PART, []),
        (PART.replace("qg", "qgg"), ["p.yaml:4:3: the parameter 'mosfet.qgg'"]),
        (PART + "wat: 1\n", ["p.yaml:6:1: the key 'wat'"]),
        (PART.partition("mosfet")[0], ["p.yaml:1:1: no values"]),
        (PART.replace("name: second source", "title: x"), ["p.yaml:2:7: no key 'name'"]),
    ],
)
def test_a_part_is_checked_by_itself(tmp_path: Path, text: str, found: list[str]) -> None:
    text = text.replace("name: second source", "name: second")
    path = put(tmp_path, "p.yaml", text)
    name, problems = read_part(path)
    assert name == ("" if found else "second")
    assert [
        f"{Path(p.place.file).name}:{p.place.line}:{p.place.column}: {p.found}" for p in problems
    ] == found
    stage, problems = read_stage(path)
    assert stage is None
    assert [p.found for p in problems] == ["a part"]
