"""The JSON Schema of a map, as an editor would use it, by a general validator."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import jsonschema
import pytest
import yaml

from regmap.maps.grammar import json_schema
from regmap.maps.new import new_map

DEVICES = Path(__file__).parents[2] / "devices"
BASE = (Path(__file__).parent / "base.yaml").read_text(encoding="utf-8")
MAPS = sorted(p for p in DEVICES.glob("*.yaml") if "gateword_map:" in p.read_text("utf-8"))


class _StringKeys(yaml.SafeLoader):
    """YAML as editors hand it to a validator: JSON values, and every key a string."""

    def construct_mapping(self, node: Any, deep: bool = False) -> Any:  # noqa: ARG002
        return {k.value: self.construct_object(v, deep=True) for k, v in node.value}


_StringKeys.add_constructor("tag:yaml.org,2002:map", _StringKeys.construct_mapping)


def plain(text: str) -> Any:
    return yaml.load(text, Loader=_StringKeys)


@pytest.fixture(scope="module")
def validator() -> Any:
    schema = json_schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    return jsonschema.Draft202012Validator(schema)


@pytest.mark.parametrize("path", MAPS, ids=[p.stem for p in MAPS])
def test_shipped_maps_are_valid(path: Path, validator: Any) -> None:
    document = plain(path.read_text(encoding="utf-8"))
    assert [e.message for e in validator.iter_errors(document)] == []


def test_the_starting_map_is_valid(validator: Any) -> None:
    assert [e.message for e in validator.iter_errors(plain(new_map()))] == []
    assert [e.message for e in validator.iter_errors(plain(BASE))] == []


#: text replaced, by what, and the path at which the validator must complain
BROKEN: list[tuple[str, str, str]] = [
    ("gateword_map: 1", "gateword_map: 2", "gateword_map"),
    ("registers:", "regsters:", ""),
    ("  name: base16\n", "", "chip"),
    ("chip:\n  name: base16\n  invented: yes\n  source: made up\n", "chip: [base16]\n", "chip"),
    ("mode: 1", "mode: 4", "spi.mode"),
    ("  mode: 1\n", "", "spi"),
    ("clock_max: 10 MHz", "clock_maximum: 10 MHz", "spi"),
    ("idle: 400 ns", "idle: {minimum: 400 ns}", "spi.idle"),
    ("length: 24", "length: 65", "frames.word.length"),
    ("length: 24", "length: {bits: 24}", "frames.word.length"),
    ("holds: page}", "holds: pgae}", "frames.word.command.page.holds"),
    (
        "bits: 23..22, holds: operation",
        "bits: '23:22', holds: operation",
        "frames.word.command.op.bits",
    ),
    ("parity: odd, over", "parity: mark, over", "frames.word.command.odd.parity"),
    ("after: 1", "after: 17", "frames.word.reply.after"),
    ("access: rc", "access: cr", "registers.STATUS.access"),
    (
        "    page: 1\n    address: 0x0\n",
        "    page: 1\n    address: low\n",
        "registers.GATE.address",
    ),
    ("reset: 0x41", "reset: high", "registers.MODE.reset"),
    ("role: deadtime", "role: dead_time", "registers.MODE.fields.TIME.role"),
    ("UV:  {bits: 1,", "UV:  {bit: 1,", "registers.STATUS.fields.UV"),
    ("step: 100 ns", "stepp: 100 ns", "registers.MODE.fields.TIME.scale"),
    ("typ: [10, 20,", "typ: [[10], 20,", "registers.GATE.fields.HIGH.table.typ.0"),
    ("    title: Undervoltage\n", "", "faults.UV"),
    ("high_side_supply: charge pump", "high_side_supply: pump", "electrical.high_side_supply"),
    ("high_side_supply: charge pump", "high_side: charge pump", "electrical"),
    ("require: MODE", "requires: MODE", "rules.slow_enough"),
]


@pytest.mark.parametrize(("old", "new", "where"), BROKEN)
def test_broken_maps_are_not(old: str, new: str, where: str, validator: Any) -> None:
    assert old in BASE
    found = list(validator.iter_errors(plain(BASE.replace(old, new, 1))))
    assert found
    paths = [".".join(map(str, e.absolute_path)) for e in found]
    assert where in paths, paths


def test_every_key_is_explained() -> None:
    """What an editor shows beside a key comes from the same table as the reference."""
    missing: list[str] = []

    def walk(node: Any, path: str) -> None:
        if isinstance(node, dict):
            for name, below in node.get("properties", {}).items():
                if isinstance(below, dict) and "description" not in below and "anyOf" not in below:
                    missing.append(f"{path}.{name}")
                walk(below, f"{path}.{name}")
            for key in ("items", "additionalProperties"):
                walk(node.get(key), path)
            for below in node.get("anyOf", []):
                walk(below, path)

    walk(json_schema(), "")
    assert [m for m in missing if not m.endswith((".min", ".typ", ".max", ".tolerance"))] == []
