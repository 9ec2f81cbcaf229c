"""`for_each`: six equal things written once; the same map as written out, every message at its line."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import jsonschema
import pytest
import yaml

from regmap.chip.model import Chip
from regmap.maps.grammar import json_schema
from regmap.maps.load import read_map

from .test_traps import HEAD

ONCE = """registers:
  GATE_{side}:
    for_each: {side: [HS, LS], at: [4, 5], word: [high, low]}
    address: "{at}"
    reset: 0
    fields:
      SOURCE: {bits: 3..0, role: "gate.source.{word}", options: {0: 1 A, 1: 2 A}}
  FLAGS:
    address: 6
    reset: 0
    access: w1c
    fields:
      VDS_{switch}:
        for_each: {switch: [UH, UL, VH, VL, WH, WL], bit: 5..0}
        bits: "{bit}"
  PHASE_{phase}:
    for_each: {phase: [U, V, W], at: 8..10}
    address: "{at}"
    reset: 0
    fields:
      "{side}":
        for_each: {side: [H, L], bit: [1, 0]}
        bits: "{bit}"
faults:
  VDS_{switch}:
    for_each: {switch: [UH, UL, VH, VL, WH, WL]}
    at: FLAGS.VDS_{switch}
    title: "VDS fault, switch {switch}"
sequences:
  clear_faults:
    - {for_each: {switch: [UH, WL]}, write: "FLAGS.VDS_{switch} = 1"}
    - {read: FLAGS}
"""
WRITTEN = """registers:
  GATE_HS: {address: 4, reset: 0, fields: {SOURCE: {bits: 3..0, role: gate.source.high, options: {0: 1 A, 1: 2 A}}}}
  GATE_LS: {address: 5, reset: 0, fields: {SOURCE: {bits: 3..0, role: gate.source.low, options: {0: 1 A, 1: 2 A}}}}
  FLAGS:
    address: 6
    reset: 0
    access: w1c
    fields: {VDS_UH: {bits: 5}, VDS_UL: {bits: 4}, VDS_VH: {bits: 3}, VDS_VL: {bits: 2}, VDS_WH: {bits: 1}, VDS_WL: {bits: 0}}
  PHASE_U: {address: 8, reset: 0, fields: {H: {bits: 1}, L: {bits: 0}}}
  PHASE_V: {address: 9, reset: 0, fields: {H: {bits: 1}, L: {bits: 0}}}
  PHASE_W: {address: 10, reset: 0, fields: {H: {bits: 1}, L: {bits: 0}}}
faults:
  VDS_UH: {at: FLAGS.VDS_UH, title: "VDS fault, switch UH"}
  VDS_UL: {at: FLAGS.VDS_UL, title: "VDS fault, switch UL"}
  VDS_VH: {at: FLAGS.VDS_VH, title: "VDS fault, switch VH"}
  VDS_VL: {at: FLAGS.VDS_VL, title: "VDS fault, switch VL"}
  VDS_WH: {at: FLAGS.VDS_WH, title: "VDS fault, switch WH"}
  VDS_WL: {at: FLAGS.VDS_WL, title: "VDS fault, switch WL"}
sequences:
  clear_faults: [{write: FLAGS.VDS_UH = 1}, {write: FLAGS.VDS_WL = 1}, {read: FLAGS}]
"""


def chip_of(body: str) -> Chip:
    chip, found = read_map("t.yaml", text=HEAD + body)
    assert chip is not None, found
    return chip


def problems(body: str) -> list[str]:
    return [str(p) for p in read_map("t.yaml", text=HEAD + body)[1] if p.severity == "error"]


def _bare(chip: Chip) -> Any:
    """The chip without places in its file."""
    return (
        {n: replace(r, origin="", fields=tuple(replace(f, origin="") for f in r.fields)) for n, r in chip.registers.items()},
        {n: replace(f, origin="") for n, f in chip.faults.items()},
        {n: tuple(replace(s, origin="") for s in steps) for n, steps in chip.sequences.items()},
    )  # fmt: skip


def test_it_is_the_map_as_written_out() -> None:
    once, written = chip_of(ONCE), chip_of(WRITTEN)
    assert _bare(once) == _bare(written)
    assert list(once.registers) == list(written.registers)


def test_every_copy_knows_its_line() -> None:
    chip = chip_of(ONCE)
    lines = [chip.registers[n].origin for n in ("GATE_HS", "GATE_LS", "PHASE_W")]
    assert lines == ["t.yaml:15", "t.yaml:15", "t.yaml:29"]
    assert chip.faults["VDS_WL"].origin == "t.yaml:38"


@pytest.mark.parametrize(
    ("old", "new", "text"),
    [
        ('bits: "{bit}"\n  PHASE', 'bits: "{bit}0"\n  PHASE', "t.yaml:27:15: error: bit 50; expected bits 0..7"),
        ("FLAGS.VDS_{switch}\n", "FLAGS.VD_{switch}\n", "t.yaml:39:9: error: the field 'FLAGS.VD_UH'"),
        ("  GATE_{side}:", "  GATE:", "t.yaml:14:3: error: 'GATE' for 2 entries; expected a name with {side}, {at}, {word}"),
        ("at: [4, 5]", "at: [4]", "error: for_each of different lengths (side 2, at 1, word 2)"),
        ("bit: 5..0}", "bit: []}", "error: for_each 'bit'; expected names with a list each"),
        ("for_each: {phase: [U, V, W], at: 8..10}", "for_each: [U, V]", "error: for_each: a list"),
        ("side: [H, L]", "phase: [H, L]", "error: the name 'phase' again"),
        ("[U, V, W], at: 8..10", "[U, V, V], at: 8..10", "the key 'PHASE_V' again"),
    ],
)  # fmt: skip
def test_what_is_wrong_is_told_at_its_line(old: str, new: str, text: str) -> None:
    assert old in ONCE
    found = problems(ONCE.replace(old, new, 1))
    assert any(text in line for line in found), found


def test_repetition_is_bounded() -> None:
    depth = 'registers:\n  "R{a}{b}":\n    for_each: {a: 0..4000, b: 0..4000}\n    address: 0\n    fields:\n'
    for level in range(5):
        pad = "    " * level + "      "
        depth += f'{pad}"F{{x{level}}}":\n{pad}  for_each: {{x{level}: 0..4000}}\n{pad}  fields:\n'
    found = problems(depth)
    assert any("more than 200000 entries by for_each" in line for line in found), found[:3]


class _StringKeys(yaml.SafeLoader):
    def construct_mapping(self, node: Any, deep: bool = False) -> Any:  # noqa: ARG002
        return {k.value: self.construct_object(v, deep=True) for k, v in node.value}


_StringKeys.add_constructor("tag:yaml.org,2002:map", _StringKeys.construct_mapping)


def test_editors_know_it_too() -> None:
    validator = jsonschema.Draft202012Validator(json_schema())
    document = yaml.load(HEAD + ONCE, Loader=_StringKeys)
    assert [e.message for e in validator.iter_errors(document)] == []
    document["registers"]["FLAGS"]["fields"]["X"] = {"bits": 1, "acces": "ro"}
    assert [e.message for e in validator.iter_errors(document)]
