"""Published schemas of all documents and outputs: every command's real JSON is held against them by a general validator."""

from __future__ import annotations

import io
import json
import os
import shlex
import sys
from collections import defaultdict
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from regmap.cli.context import Context
from regmap.cli.main import main

sys.path.insert(0, str(Path(__file__).parent))
from outputs import RUNS, Shape

ROOT = Path(__file__).parents[2]
#: with GATEWORD_ALL_RUNS=1 (or to write the schemas) every run; else those that take little time
ALL = "1" in (os.environ.get("GATEWORD_ALL_RUNS"), os.environ.get("GATEWORD_UPDATE_SCHEMAS"))
LONG = ("campaign", "propose", "report", "conveyor_drum", "sweep coolant_pump pwm", "watch")
FOLDER = ROOT / "cli" / "schemas"
Run = Callable[..., Any]


@pytest.fixture(scope="module")
def objects(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[dict[str, Any]]]:
    """Every JSON object that the runs give, by its kind."""
    from regmap.maps.load import load_map
    from regmap.twin import Twin
    from regmap.twin.adapter import Adapter, Terminal

    folder = tmp_path_factory.mktemp("outputs")
    pump = (ROOT / "devices" / "coolant_pump.yaml").read_text().partition("\nmodes:")[0]
    chip = load_map("quoll16")
    for name, text in {
        "bad.yaml": "gateword_map: 1\nchip: {name: x}\nregisters: {}\nwat: 1\n",
        "hand.h": "#define GATE_HS 0x5\n#define VDS_THRESHOLD_MASK 0x3F\n",
        "first.yaml": "gateword_stage: 1\nstage: {name: first}\nmap: quoll16\n",
        "waived.yaml": pump.replace(
            "settings:", "waive: {sense.range: measured on the bench}\nsettings:", 1
        ),
        "other.yaml": pump.replace("frequency: 20 kHz", "frequency: 40 kHz"),
        "no_duty.yaml": pump.replace("  duty.min: 5 %\n  duty.max: 88 %\n", ""),
        "modes.yaml": pump
        + "\nmodes: {fast: {pwm.frequency: 40 kHz, after: [OT_WARN, controller], within: 1 ms, settings: {SENSE.OC_TH: 18 mV, MODE.VDS_ACT: off}}, rest: {after: [OT_WARN], driving: no}}\n",
        "other_modes.yaml": pump.replace("OC_FILT: 2.2 us", "OC_FILT: 3.3 us", 1)
        + "\nmodes: {fast: {after: [controller], settings: {SENSE.GAIN: x18}}}\n",
        "stand.txt": "read STATUS1\nwait 1 ms\nwrite GATE_HS.SOURCE = 56 mA\n",
    }.items():
        (folder / name).write_text(text)
    found: dict[str, list[dict[str, Any]]] = defaultdict(list)
    if ALL:
        _run(["campaign", "new", "quoll16", "-o", str(folder / "plan.yaml")], folder)
    twin = Twin(chip)
    with Terminal(Adapter(twin.bus, [twin]), chip.name) as adapter:
        for line in RUNS if ALL else [r for r in RUNS if not any(n in r for n in LONG)]:
            text = line.format(
                d=folder,
                captures=ROOT / "captures",
                port=adapter.path,
                c=f"quoll16 {next(iter(chip.commands), 'GATE_HS')}",
                r=next(iter(load_map("bilby32").registers)),
            )
            out = _run(shlex.split(text), folder)
            made = list(_objects(out))
            assert made, text
            for each in made:
                found[str(each["kind"])].append(each)
    return found


def _run(arguments: list[str], folder: Path) -> str:
    out, err = io.StringIO(), io.StringIO()
    environ = {**os.environ, "GATEWORD_STATE": str(folder / "state")}
    status = main(
        arguments, Context(stdin=io.StringIO(""), stdout=out, stderr=err, environ=environ)
    )
    assert status in (0, 1), (arguments, err.getvalue())
    return out.getvalue()


def _objects(text: str) -> Iterator[dict[str, Any]]:
    decoder = json.JSONDecoder()
    at = 0
    while at < len(text):
        value, at = decoder.raw_decode(text, at)
        yield value
        while at < len(text) and text[at].isspace():
            at += 1


def test_every_output_is_as_its_published_schema_says(objects: dict[str, list[Any]]) -> None:
    if os.environ.get("GATEWORD_UPDATE_SCHEMAS") == "1":
        told = json.loads((FOLDER / "keys.json").read_text())
        for kind, found in objects.items():
            shape = Shape()
            for each in found:
                shape.add(each)
            made = shape.schema(told)
            made["properties"]["kind"] = {"const": kind, "description": told["kind"]}
            made["properties"]["schema"] = {"const": 1, "description": told["schema"]}
            head = {
                "$schema": "https://json-schema.org/draft/2020-12/schema",
                "title": f"gateword {kind}",
            }
            (FOLDER / f"{kind}.json").write_text(json.dumps({**head, **made}, indent=1) + "\n")
    wrong = []
    for kind, found in objects.items():
        schema = json.loads((FOLDER / f"{kind}.json").read_text())
        validator = jsonschema.Draft202012Validator(schema)
        for each in found:
            wrong += [
                (kind, list(e.absolute_path), e.message[:200]) for e in validator.iter_errors(each)
            ]
    assert not wrong


def test_each_document_and_output_has_a_schema_that_is_one(gateword: Run) -> None:
    listed = json.loads(gateword("schema", "--json").out)
    assert set(listed["documents"]) >= {"map", "stage", "setup", "campaign"}
    outputs = listed["outputs"] if ALL else listed["outputs"][::9]
    for name in [*listed["documents"], *outputs]:
        schema = json.loads(gateword("schema", name).out)
        jsonschema.Draft202012Validator.check_schema(schema)
    assert "nearest: check" in gateword("schema", "chek").err


def test_every_key_of_every_output_is_told_about() -> None:
    def keys(schema: Any) -> Iterator[tuple[str, dict[str, Any]]]:
        if isinstance(schema, dict):
            yield from schema.get("properties", {}).items()
            for each in schema.values():
                yield from keys(each)
            for each in schema.get("properties", {}).values():
                yield from keys(each)

    for path in FOLDER.glob("*.json"):
        if path.name != "keys.json":
            untold = {n for n, s in keys(json.loads(path.read_text())) if not s.get("description")}
            assert not untold, (path.name, untold)


def test_no_schema_is_published_for_what_no_command_prints(objects: dict[str, list[Any]]) -> None:
    published = {p.stem for p in FOLDER.glob("*.json")} - {"keys"}
    assert published == set(objects) if ALL else published >= set(objects)


def test_the_documents_of_the_program_are_as_their_schemas_say(gateword: Run) -> None:
    """The bundled maps and stages, read by a general YAML library and held against the schemas by a general validator."""
    import yaml

    for path in (ROOT / "devices").glob("*.yaml"):
        document = yaml.load(path.read_text(), Loader=yaml.BaseLoader)
        kind = "stage" if "gateword_stage" in document else "map"
        schema = json.loads(gateword("schema", kind).out)
        assert schema["properties"].keys() >= document.keys() - {"x"}, path.name


def test_what_is_made_from_invented_documents_says_so(objects: dict[str, list[Any]]) -> None:
    """Every bundled map and stage is invented: an object that tells of one names it, in whatever key."""
    names = {
        "quoll16",
        "coolant_pump",
        "conveyor_drum",
        "numbat24",
        "bilby32",
        "wombat24",
        "potoroo40",
        "quokka16",
    }
    silent = []
    for kind, found in objects.items():
        for each in found:
            text = json.dumps(each)
            tells = any(
                f'"{key}": "{n}"' in text for key in ("chip", "stage", "map") for n in names
            )
            if tells and "invented" not in text:
                silent.append(kind)
    assert not set(silent), set(silent)
