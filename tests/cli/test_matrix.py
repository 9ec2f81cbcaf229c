"""`check A B C`: text at 80 columns, CSV and page of variants; further names are checks."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from regmap.maps.load import find_document

Run = Callable[..., Any]


@pytest.fixture
def boards(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    plain = find_document("coolant_pump").read_text().partition("\nmodes:")[0]
    (tmp_path / "base.yaml").write_text(plain)
    for name, text in (
        ("hot", "supply.voltage: 18 / 24 / 28 V\n"),
        ("fast", "pwm.frequency: 60 kHz\n"),
    ):
        (tmp_path / f"{name}.yaml").write_text(
            f"gateword_stage: 1\nextends: base.yaml\nstage: {{name: {name}}}\n{text}"
        )
    return tmp_path


@pytest.mark.usefixtures("boards")
def test_variants_beside_each_other(gateword: Run) -> None:
    done = gateword("check", "base.yaml", "hot.yaml")
    assert done.status == 1
    lines = done.out.splitlines()
    assert lines[0].split() == ["check", "coolant_pump", "hot"]
    assert lines[1].startswith("overvoltage.no-false-trip")
    assert "FAILS" in lines[1]
    assert max(map(len, lines)) <= 80
    assert "93 checks hold in every variant" in done.out
    assert gateword("check", "base.yaml", "hot.yaml", "gate").status == 0
    assert gateword("check", "base.yaml", "base.yaml", "--strict").status == 1


@pytest.mark.usefixtures("boards")
def test_where_they_have_no_room_each_check_says_where_it_is_what(gateword: Run) -> None:
    done = gateword("check", "base.yaml", "hot.yaml", "fast.yaml", "conveyor_drum")
    assert "deadtime.duty-min: FAILS in fast -" in done.out
    assert max(map(len, done.out.splitlines())) <= 80
    only = gateword("check", "base.yaml", "fast.yaml", "--only", "fails").out
    assert "low margin in" not in only


@pytest.mark.usefixtures("boards")
def test_a_row_for_each_check_and_variant(gateword: Run) -> None:
    done = gateword("check", "base.yaml", "hot.yaml", "deadtime", "overvoltage", "--csv")
    rows = list(csv.DictReader(io.StringIO(done.out)))
    assert {r["variant"] for r in rows} == {"coolant_pump", "hot"}
    first = [r for r in rows if r["check"] == "overvoltage.no-false-trip"]
    assert [(r["status"], r["worst"]) for r in first] == [("holds", "no"), ("fails", "yes")]
    assert all(r["invented"] == "yes" for r in rows)


@pytest.mark.usefixtures("boards")
def test_what_does_not_go_together_is_told(gateword: Run) -> None:
    assert (
        "--explain is of one stage"
        in gateword("check", "base.yaml", "hot.yaml", "--explain", "gate").err
    )
    assert "no such file" in gateword("check", "base.yaml", "cold.yaml").err
    assert gateword("check", "base.yaml", "hot.yaml", "--html", "base.yaml").status == 2
    assert gateword("check", "base.yaml", "hot.yaml", "--html", "m.html").status == 1
    assert Path("m.html").read_text().startswith("<!DOCTYPE html>")
    assert gateword("check", "base.yaml", "hot.yaml", "nothing.at.all").status == 2


@pytest.mark.usefixtures("boards")
def test_modes_are_judged_by_check_and_told_elsewhere(gateword: Run) -> None:
    text = Path("base.yaml").read_text()
    Path("m.yaml").write_text(f"{text}\nmodes: {{limp: {{TIMING: x}}}}\n")
    assert gateword("check", "m.yaml").status == 2
    Path("m.yaml").write_text(
        f"{text}\nmodes: {{limp: {{settings: {{VDS.THRESHOLD: 520 mV}}}}, fast: {{pwm.frequency: 60 kHz}}}}\n"
    )
    done = gateword("check", "m.yaml")
    assert done.status == 1
    assert "vds.protects" in done.out
    row = next(n for n in done.out.splitlines() if "vds.protects" in n)
    assert row.startswith("FAILS"), row
    assert row.endswith(" limp"), "the mode in which it is worst"
    assert "as stated: " in done.out
    explained = gateword("check", "m.yaml", "--explain", "vds.protects.high")
    assert "worst of all modes: limp" in explained.out
    assert "VDS.THRESHOLD, code 10" in " ".join(explained.out.split()), "as the mode has it"
    assert gateword("check", "m.yaml", "--mode", "limp", "deadtime").status == 0
    assert "nearest: limp" in gateword("check", "m.yaml", "--mode", "lmp").err
    assert gateword("check", "m.yaml", "--mode", "as_stated", "deadtime").status == 0
    assert gateword("check", "m.yaml", "--plot", "p").status == 1
    assert len(list(Path("p").glob("*.svg"))) > 3, "of the stage as stated"
    header = gateword("header", "m.yaml").out
    assert "fast_to_as_stated_steps" not in header, "they differ in the controller's values alone"
    assert "_DRIVE_MODE_FAST" in header
    assert "as_stated_to_limp" not in header, "nothing leads into it"
    told = gateword("report", "m.yaml", "-o", "-").out
    assert "What follows on every fault in every mode" in told
