"""Differences: two stages, a readback in every form it may have, a capture at any time."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import regmap
from regmap.assessment.diff import diff_bank, diff_stages, diff_words
from regmap.assessment.stage import assess, with_settings
from regmap.behaviour.readback import looks_like_readback, parse_readback
from regmap.behaviour.settings import setting_registers
from regmap.errors import FileError
from regmap.maps.load import find_document
from regmap.stages.load import Stage, load_stage, read_stage

Run = Callable[..., Any]
HOME = Path(regmap.__file__).parent.parent
STAGES = ("coolant_pump", "conveyor_drum")


def words_of(stage: Stage) -> dict[str, int]:
    """What a chip with these settings returns when it is read."""
    bank = stage.bank
    return {
        r.name: bank.words[r.name]
        for r in setting_registers(stage.chip)
        if r.readable and r.reads_as == "written"
    }


# --- the library ----------------------------------------------------------------------------------
@pytest.mark.parametrize("name", STAGES)
def test_a_stage_does_not_differ_from_itself(name: str) -> None:
    stage = load_stage(name)
    assert diff_stages(stage, load_stage(name)).same
    assert diff_words(stage, words_of(stage), "chip").same
    assert diff_bank(stage, stage.bank, "bank").same


def test_a_changed_field_shows_with_words_value_and_verdicts() -> None:
    stage = load_stage("coolant_pump")
    other = with_settings(stage, {"TIMING.DEAD_TIME": "600 ns"})
    for result in (diff_stages(stage, other), diff_words(stage, words_of(other), "chip")):
        (register,) = result.registers
        assert (register.name, register.old, register.new) == (
            "TIMING",
            stage.bank.words["TIMING"],
            other.bank.words["TIMING"],
        )
        (field,) = register.fields
        assert (field.old.label, field.new.label) == ("1 us", "600 ns")
        assert field.change == pytest.approx(-0.4)
        before = {v.check: (v.status, v.relative) for v in assess(stage).verdicts}
        after = {v.check: (v.status, v.relative) for v in assess(other).verdicts}
        assert {v.check for v in result.verdicts} == {c for c in before if before[c] != after[c]}
        assert [v.check for v in result.verdicts if v.turned] == [
            "deadtime.enough.high",
            "deadtime.enough.low",
        ]
        assert result.verdicts[0].turned


def test_what_was_not_read_is_named_and_no_difference() -> None:
    stage = load_stage("coolant_pump")
    result = diff_words(stage, {"TIMING": stage.bank.words["TIMING"]}, "chip")
    assert result.same
    assert set(result.unknown) == {r.name for r in setting_registers(stage.chip)} - {"TIMING"}
    assert result.compared == 1


def test_status_and_write_only_registers_are_no_settings() -> None:
    stage = load_stage("conveyor_drum")
    words = {**words_of(stage), "STATUS": 0xFF, "SERVE": 0x00, "SYSTEM_FAULTS": 0x10}
    assert diff_words(stage, words, "chip").same


def test_stages_of_other_chips_are_compared_by_role_and_figure() -> None:
    result = diff_stages(load_stage("coolant_pump"), load_stage("conveyor_drum"))
    assert result.chips == ("quoll16", "numbat24")
    assert not result.registers
    roles = {r.name: (str(r.old), str(r.new)) for r in result.roles}
    assert "deadtime" in roles
    assert {"supply.voltage", "mosfet.qg"} <= {f.name for f in result.figures}
    json.dumps(result.json(), default=str, allow_nan=False)


def test_a_value_held_by_several_fields_is_shown_as_one() -> None:
    body = find_document("coolant_pump").read_text().partition("settings:")[0]
    path = find_document("bilby32").with_name("stage_of_a_test.yaml")
    stage, _ = read_stage(path, text=body.replace("map: quoll16", "map: bilby32"))
    assert stage is not None
    result = diff_stages(stage, with_settings(stage, {"DEAD_TIME": "1.05 us"}))
    (value,) = result.joined
    assert (value.name, value.new.label) == ("DEAD_TIME", "1.05 us")
    assert {f.name for r in result.registers for f in r.fields} <= {
        f"{r}.{f}" for r, f in stage.chip.joined["DEAD_TIME"].fields
    }


FORMS = [
    "TIMING=0x264\nMODE = 0xAA  # as read\n",
    "TIMING 0x264\nMODE: 0b10101010",
    '{"TIMING": 612, "MODE": "0xAA"}',
    '{"schema": 1, "kind": "read", "chip": "quoll16", "registers": [{"register": "TIMING", "word": 612, "grade": "good"},'
    ' {"register": "MODE", "word": 170}, {"register": "VDS", "word": null, "grade": "lost"}]}',
    '{"register": "TIMING", "word": 612}\n{"register": "MODE", "word": "0xAA"}\n',
    '[{"register": "TIMING", "word": 612}, {"register": "MODE", "word": 170}]',
    "\ufeffTIMING=0x264\r\nMODE=0xAA\r\n",
    '{"registers": {"TIMING": "0x264", "MODE": 170}}',
    "TIMING=1\nTIMING=0x264\nMODE=0xAA",
]


@pytest.mark.parametrize("text", FORMS)
def test_readback_in_every_form(text: str) -> None:
    chip = load_stage("coolant_pump").chip
    assert looks_like_readback(text.lstrip("\ufeff"))
    assert parse_readback(text.lstrip("\ufeff"), chip, "x") == {"TIMING": 0x264, "MODE": 170}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            "TIMNG=1\nMODE=0x8888\nVDS=-1\n???",
            "x:1:1: error: no register 'TIMNG' in quoll16; expected a register of the map; nearest: TIMING",
        ),
        ("MODE=0x8888", "x:1:1: error: 0x8888 for MODE, which has 10 bits; expected at most 0x3FF"),
        ("MODE=soon", "x:1:1: error: 'soon' for MODE; expected a word such as 0x1F"),
        (
            '{"MODE": }',
            "x:1:10: error: no JSON (Expecting value); expected one JSON object, or one a line",
        ),
        ("# nothing\n", "x:1:1: error: no register word; expected lines REG=WORD, or JSON"),
        ("[3]", "x:1:1: error: the JSON value '3'; expected an object of registers and words"),
        (
            '{"MODE": "0xAA", "TIMING": true}',
            "x:1:1: error: 'True' for TIMING; expected a word such as 0x1F",
        ),
    ],
)
def test_a_bad_readback_is_located(text: str, message: str) -> None:
    with pytest.raises(FileError) as caught:
        parse_readback(text, load_stage("coolant_pump").chip, "x")
    assert str(caught.value.problems[0]) == message


def test_all_problems_of_a_readback_at_once() -> None:
    with pytest.raises(FileError) as caught:
        parse_readback("TIMNG=1\nMODE=0x8888\nVDS=-1\n?", load_stage("coolant_pump").chip, "x")
    assert [p.place.line for p in caught.value.problems] == [1, 2, 3, 4] or len(
        caught.value.problems
    ) == 4


# --- the command ----------------------------------------------------------------------------------
def test_two_stages(gateword: Run, tmp_path: Path) -> None:
    assert gateword("diff", "coolant_pump", "coolant_pump").status == 0
    shutil.copy(HOME / "devices" / "quoll16.yaml", tmp_path / "quoll16.yaml")
    other = tmp_path / "other.yaml"
    text = (HOME / "devices" / "coolant_pump.yaml").read_text()
    other.write_text(
        text.replace("DEAD_TIME: 1 us", "DEAD_TIME: 600 ns").replace("rth: 30 K/W", "rth: 33 K/W")
    )
    result = gateword("diff", "coolant_pump", str(other))
    assert result.status == 1
    lines = result.out.splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[:2] == ["TIMING 0x265 -> 0x264", "  DEAD_TIME: 1 us -> 600 ns (-40 %)"]
    assert "  mosfet.rth: 30 K/W -> 33 K/W" in lines
    assert "  deadtime.enough.high: holds +36 % -> FAILS -18 %" in lines
    assert "2 turn, 2 to failing." in " ".join(lines[-3:])
    # both are called coolant_pump in their files: only the files tell them apart
    assert " ".join(lines).count(f"bundled:coolant_pump.yaml and {other} differ in") == 1


def test_words_files_and_standard_input(gateword: Run, tmp_path: Path) -> None:
    made = gateword("diff", "coolant_pump", "TIMING=0x264", "MODE=0xAA", "--json")
    assert made.status == 1
    told = json.loads(made.out)
    assert told["schema"] == 1
    assert told["registers"][0]["fields"][0]["field"] == "TIMING.DEAD_TIME"
    file = tmp_path / "bench.txt"
    file.write_text("TIMING=0x264\nMODE=0xAA\n")
    assert gateword("diff", "coolant_pump", str(file)).out.splitlines()[:2] == [
        "TIMING 0x265 -> 0x264",
        "  DEAD_TIME: 1 us -> 600 ns (-40 %)",
    ]
    assert gateword("diff", "coolant_pump", "-", stdin=b'{"TIMING": "0x265"}').status == 0


def test_a_capture_at_its_end_and_before(gateword: Run) -> None:
    capture = str(HOME / "captures" / "pump_brown_out.vcd")
    late = gateword("diff", "coolant_pump", capture)
    assert late.status == 1
    assert "GATE_HS" in late.out
    assert "at 9.123 ms" in " ".join(late.out.split())
    early = gateword("diff", "coolant_pump", capture, "--at", "3 ms")
    assert early.status == 0
    assert "No difference" in early.out
    assert (
        gateword("diff", "conveyor_drum", str(HOME / "captures" / "drum_bring_up.vcd")).status == 0
    )
    first = gateword(
        "diff", "conveyor_drum", str(HOME / "captures" / "drum_bring_up.vcd"), "--at", "0 s"
    )
    assert first.status == 2
    assert "nothing of the settings of numbat24 is known" in first.err


@pytest.mark.parametrize(
    ("arguments", "part"),
    [
        (["coolant_pump", "coolant_pmp"], "coolant_pump"),
        (["coolant_pump", "TIMNG=1"], "TIMING"),
        (["coolant_pump", "coolant_pump", "TIMING=1"], "more than one"),
        (["coolant_pump", "STATUS1=0"], "nothing of the settings"),
        (["coolant_pump", "missing.vcd", "--at", "1 ms"], "missing.vcd"),
        (["coolant_pump", str(HOME / "captures" / "pump_short.vcd"), "--at", "soon"], "soon"),
    ],
)
def test_wrong_use_is_one_clear_message(gateword: Run, arguments: list[str], part: str) -> None:
    result = gateword("diff", *arguments)
    assert result.status == 2
    assert part in result.err
    assert "Traceback" not in result.err


def test_brief(gateword: Run) -> None:
    result = gateword("diff", "coolant_pump", "TIMING=0x264", "--brief")
    assert len(result.out.splitlines()) <= 7
    assert "deadtime.enough.low: holds +36 % -> FAILS -18 %" in result.out
