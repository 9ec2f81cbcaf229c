"""Known frames of several frames, forbidden codes, identity: what refers to the rest of the map."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from regmap.behaviour.plan import plan
from regmap.behaviour.settings import identities
from regmap.chip.values import choose
from regmap.errors import CallError
from regmap.link.rules import witness
from regmap.maps.load import read_map
from regmap.maps.vet import check_map
from regmap.stages.load import read_stage

from .test_traps import HEAD

Run = Callable[..., Any]

BODY = """
registers:
  ID:   {address: 0x10, reset: 0x5C, access: ro, fields: {N: {bits: 7..0}}}
  TYPE: {address: 0x11, reset: 0x21, access: ro, fields: {N: {bits: 7..0}}}
  A:    {address: 1, reset: 0, fields: {V: {bits: 7..0}}}
  A_N:  {address: 2, reset: 0xFF, complement_of: A, fields: {V: {bits: 7..0}}}
  KEY:  {address: 3, reset: 0, access: wo, reads_as: zero, fields: {CODE: {bits: 7..0}}}
  MODE:
    address: 4
    reset: 0
    fields:
      M: {bits: 1..0, options: {0: slow, 1: fast, 2: {name: direct, forbidden: both switches can be on}, 3: reserved}}
      N: {bits: 4..2, options: {0: 1 A, 1: 2 A, 2: {value: 3 A, forbidden: melts the bond wires}, 3: 4 A, 4..7: 5 A}}
keys:
  open: {steps: [KEY.CODE = 0x3A, KEY.CODE = 0xC5]}
identity: {TYPE: 0x21}
known_frames:
  # 1 0000011 and the code; 1 0000001 and 1 0000010 with every bit inverted
  - {does: open, command: [0x833A, 0x83C5], source: section 1}
  - {does: A = 0x0F, command: [0x810F, 0x82F0], source: section 2}
"""
CHIP, _FOUND = read_map("t.yaml", text=HEAD + BODY)
assert CHIP is not None, _FOUND
chip = CHIP


def _problems(text: str) -> list[str]:
    return [str(p) for p in check_map("t.yaml", text=text)[1] if p.severity == "error"]


def test_known_frames_of_a_key_and_of_a_complement_are_proven() -> None:
    assert _problems(HEAD + BODY) == []
    [error] = _problems(HEAD + BODY.replace("0x83C5", "0x83C4"))
    assert "'open' encodes to 0x83C5" in error
    [error] = _problems(HEAD + BODY.replace("0x82F0", "0x820F"))
    assert "'A = 0x0F' encodes to 0x82F0" in error
    few = _problems(HEAD + BODY.replace("[0x810F, 0x82F0]", "0x810F"))
    assert "'A = 0x0F' takes 2 frames; expected one frame" in few[0]
    many = _problems(HEAD + BODY.replace("[0x833A, 0x83C5]", "[0x833A, 0x83C5, 0x8300]"))
    assert "'open' takes 2 frames; expected the 3 frames shown" in many[0]


def test_identity_is_declared_and_not_guessed_from_a_name() -> None:
    assert identities(chip) == {"TYPE": 0x21}
    found = witness(chip)
    assert found is not None
    assert (found[0].name, found[1]) == ("TYPE", 0x21)


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ("{TYPE: 0x21}", "{TYPES: 0x21}", "the register 'TYPES'; expected a register of this map; nearest: TYPE"),
        ("{TYPE: 0x21}", "{A: 0x21}", "A, which can be written; expected a register that only reports"),
        ("{TYPE: 0x21}", "{TYPE: 0x121}", "the word 0x121 of TYPE; expected bits that a read shows, 0xFF"),
    ],
)  # fmt: skip
def test_an_identity_that_cannot_be(old: str, new: str, text: str) -> None:
    [error] = _problems(HEAD + BODY.replace(old, new))
    assert text in error
    assert error.startswith("t.yaml:28:")


@pytest.mark.parametrize("asked", ["direct", "2", "0x2"])
def test_a_forbidden_code_is_refused_however_it_is_asked_for(asked: str) -> None:
    field = chip.field("MODE.M")
    assert field is not None
    with pytest.raises(
        CallError, match=r"MODE.M = direct \(code 2\) must not be set: both switches"
    ):
        choose(field, asked)
    with pytest.raises(CallError, match="must not be set"):
        plan(chip, [f"MODE.M = {asked}"])
    with pytest.raises(CallError, match="must not be set"):
        plan(chip, ["MODE = 0x2"])
    assert choose(field, asked, allowed=True).code == 2
    [frame] = plan(chip, [f"MODE.M = {asked}"], allow=["MODE.M"])
    assert frame.sent.word == 0x8402


def test_a_value_never_lands_on_a_forbidden_code() -> None:
    field = chip.field("MODE.N")
    assert field is not None
    assert [choose(field, t).code for t in ("3.1 A", ">= 2.5 A", "<= 3.5 A")] == [3, 3, 1]


def _stage(more: str, tmp_path: Path) -> list[str]:
    (tmp_path / "t.yaml").write_text(HEAD + BODY)
    text = f"gateword_stage: 1\nstage: {{name: s}}\nmap: t.yaml\n{more}"
    (tmp_path / "s.yaml").write_text(text)
    return [str(p) for p in read_stage(tmp_path / "s.yaml")[1]]


def test_a_stage_sets_a_forbidden_code_only_with_a_reason(tmp_path: Path) -> None:
    asked = "settings: {MODE.M: direct}\n"
    [error] = _stage(asked, tmp_path)
    assert "s.yaml:4:20: error: " in error
    assert "MODE.M = direct (code 2) must not be set" in error
    assert _stage(asked + "allow: {MODE.M: bench without a bridge}\n", tmp_path) == []


def test_a_stage_that_sets_a_reserved_code_is_warned(tmp_path: Path) -> None:
    [warning] = _stage("settings: {MODE.M: 3}\n", tmp_path)
    assert "s.yaml:4:20: warning: the code 3, which the map calls reserved" in warning
    assert (
        _stage("settings: {MODE.M: 3}\nallow: {MODE.M: asked for by the maker}\n", tmp_path) == []
    )
