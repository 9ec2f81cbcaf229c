"""A survey of several boards: each capture against the stage that the manifest names, counted and compared by it."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from regmap.errors import CallError
from regmap.fleet.captured import Against
from regmap.fleet.comparison import compare_surveys
from regmap.fleet.schema import names_of
from regmap.fleet.sources import SurveySource, find_sources
from regmap.fleet.survey import survey
from regmap.fleet.writing import read_table
from regmap.stages.load import Stage, load_stage, read_stage

from .making import capture_of

DEVICES = Path(__file__).parents[2] / "devices"


@pytest.fixture(scope="module")
def other() -> Stage:
    """The pump with another gate current: not what the captures were configured with."""
    text = (DEVICES / "coolant_pump.yaml").read_text(encoding="utf-8").partition("\nmodes:")[0]
    text = text.replace("name: coolant_pump", "name: pump_b").replace(
        "SOURCE: 120 mA", "SOURCE: 150 mA", 1
    )
    stage, problems = read_stage(DEVICES / "pump_b.yaml", text=text)
    assert stage is not None, problems
    return stage


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("night")
    with (folder / "manifest.csv").open("w", newline="") as stream:
        writer = csv.writer(stream)
        writer.writerow(["file", "unit", "variant"])
        for number, (disturbance, variant) in enumerate(
            (("VDS_UL", "coolant_pump"), ("VDS_UL", "pump_b"))
        ):
            (folder / f"{number}.vcd").write_text(
                capture_of("coolant_pump", number + 1, (disturbance,))[0]
            )
            writer.writerow([f"{number}.vcd", f"unit{number}", variant])
    return folder


def table(folder: Path, name: str) -> list[dict[str, object]]:
    return list(read_table(folder, name))


def test_each_capture_is_held_against_its_variant(
    night: Path, other: Stage, tmp_path: Path
) -> None:
    pump = load_stage("coolant_pump")
    sources = find_sources([], night / "manifest.csv")
    both = Against((pump.chip,), pump, variants={"pump_b": other})
    survey(sources, both, tmp_path / "both", workers=1)
    for name in ("captures", "faults", "registers", "timing"):
        rows = table(tmp_path / "both", name)
        assert {str(r["variant"]) for r in rows} == {"coolant_pump", "pump_b"}
        for source, stage in zip(sources, (pump, other), strict=True):
            alone = tmp_path / f"{name}{source.unit}"
            survey([source], Against((pump.chip,), stage), alone, workers=1)
            assert table(alone, name) == [r for r in rows if r["file"] == source.file]
    stages = {str(r["file"]): r["stage_digest"] for r in table(tmp_path / "both", "captures")}
    assert list(stages.values()) == [pump.digest, other.digest]
    changed = compare_surveys(tmp_path / "both", tmp_path / "both", groups=["variant"])
    assert {(f.value, f.fault, f.now) for f in changed.faults} >= {
        ("coolant_pump", "VDS_UL", 1),
        ("pump_b", "VDS_UL", 1),
    }


def test_a_variant_without_a_stage_is_told_before_anything_is_read(
    night: Path, other: Stage, tmp_path: Path
) -> None:
    pump = load_stage("coolant_pump")
    against = Against((pump.chip,), pump, variants={"pump_b": other})
    for variant, nearest in (("pump_c", "pump_b"), ("", "")):
        source = SurveySource(str(night / "0.vcd"), variant=variant)
        with pytest.raises(CallError) as error:
            survey([source], against, tmp_path / "none", workers=1)
        assert error.value.nearest == nearest
    assert not (tmp_path / "none").exists()


def test_tables_of_before_variants_are_read(night: Path, tmp_path: Path) -> None:
    """The first surveys had no such column: their tables still stand on one side of a comparison."""
    pump = load_stage("coolant_pump")
    source = SurveySource(str(night / "0.vcd"), variant="x")
    survey([source], Against((pump.chip,), pump), tmp_path / "old", workers=1)
    for name in ("captures", "faults", "registers", "timing"):
        path = tmp_path / "old" / f"{name}.csv"
        rows = [r[:-1] for r in csv.reader(path.read_text().splitlines())]
        assert names_of(name)[-1] == "variant"
        with path.open("w", newline="") as stream:
            csv.writer(stream).writerows(rows)
    found = compare_surveys(tmp_path / "old", tmp_path / "old")
    assert {f.group for f in found.faults} <= {"all", "unit", "firmware", "test"}
    assert any(f.now == f.before == 1 for f in found.faults)
