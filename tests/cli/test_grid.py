"""`sweep` of two names: the table, its picture and its JSON, as the library finds them."""

from __future__ import annotations

import json
import os
import xml.etree.ElementTree as ET
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from regmap.assessment.grid import axis, grid, grid_picture, shown
from regmap.stages.load import load_stage

Run = Callable[..., Any]
NS = "{http://www.w3.org/2000/svg}"


def test_the_table_and_the_picture(gateword: Run, tmp_path: Path) -> None:
    pump = load_stage("coolant_pump")
    file = tmp_path / "two.svg"
    words = (
        "sweep",
        "coolant_pump",
        "TIMING.DEAD_TIME",
        "pwm.frequency",
        "10..60kHz",
        "--steps",
        "3",
    )
    done = gateword(*words, "--picture", str(file))
    assert done.status == 0
    assert max(map(len, done.out.splitlines())) <= 80
    found = grid(pump, axis(pump, "TIMING.DEAD_TIME"), axis(pump, "pwm.frequency", "10..60kHz", 3))
    for row in found.cells:
        for cell in row:
            assert shown(cell) in done.out
    root = ET.fromstring(file.read_text())
    told = [t.text or "" for t in root.iter(f"{NS}text")]
    assert all(shown(c) in told for r in found.cells for c in r)
    assert any("do not replace" in t for t in told)
    assert len([r for r in root.iter(f"{NS}rect") if r.get("fill-opacity") == "0.25"]) == 24
    assert grid_picture(found) == grid_picture(found)
    made = json.loads(gateword(*words, "--json").out)
    assert made["grid"]["second"] == "pwm.frequency"
    assert [len(r) for r in made["grid"]["cells"]] == [3] * 8
    one = gateword(
        "sweep", "coolant_pump", "TIMING.DEAD_TIME", "--picture", str(tmp_path / "x.svg")
    )
    assert one.status == 2
    assert not (tmp_path / "x.svg").exists()


def test_two_spans_stand_in_their_order(gateword: Run) -> None:
    done = gateword(
        "sweep",
        "coolant_pump",
        "supply.max",
        "14..18V",
        "pwm.frequency",
        "10..60kHz",
        "--steps",
        "2",
    )
    assert "supply.max (down) against pwm.frequency (across)" in done.out
    more = gateword("sweep", "coolant_pump", "TIMING.DEAD_TIME", "GATE_HS.SINK", "GATE_LS.SINK")
    assert more.status == 2
    assert "expected one or two" in " ".join(more.err.split())


@pytest.mark.skipif(os.environ.get("GATEWORD_ALL") != "1", reason="on demand: GATEWORD_ALL=1")
def test_many_options_make_a_picture_and_a_check_fills_the_cells(
    gateword: Run, tmp_path: Path
) -> None:
    file = tmp_path / "many.svg"
    words = ("conveyor_drum", "DEADTIME.TIME", "pwm.frequency", "10..60kHz", "--steps", "3")
    chosen = ("--check", "deadtime.enough.high", "--drive-mode", "as_stated")
    done = gateword("sweep", *words, *chosen, "--picture", str(file))
    assert done.status == 0, done.err
    assert "[1] deadtime.enough.high" in done.out
    assert "[2]" not in done.out
    assert "Smallest margin of deadtime.enough.high" in done.out
    told = " ".join(t.text or "" for t in ET.fromstring(file.read_text()).iter(f"{NS}text"))
    assert "up to 4 of its 256 values share" in told
    assert "margin of deadtime.enough.high" in told
    old = gateword(
        "sweep", *words, "--check", "supply.crank", "--drive-mode", "as_stated", "--json"
    )
    assert "supply.crank is now called undervoltage.crank" in " ".join(old.err.split())
    cells = [c for row in json.loads(old.out)["grid"]["cells"] for c in row]
    assert {c["check"] for c in cells} == {"undervoltage.crank"}


@pytest.mark.skipif(os.environ.get("GATEWORD_ALL") != "1", reason="on demand: GATEWORD_ALL=1")
def test_options_that_find_no_room_are_told(gateword: Run) -> None:
    words = ("conveyor_drum", "DEADTIME.TIME", "pwm.frequency", "10..60kHz", "--steps", "30")
    chosen = ("--check", "deadtime.duty-min", "--drive-mode", "as_stated")
    done = gateword("sweep", *words, *chosen)
    assert done.status == 0, done.err
    assert "DEADTIME.TIME: 34 of 256 options, evenly spread" in " ".join(done.out.split())


def test_a_check_for_the_cells_needs_two_names(gateword: Run) -> None:
    done = gateword("sweep", "coolant_pump", "TIMING.DEAD_TIME", "--check", "deadtime")
    assert done.status == 2
    assert "two names" in done.err
    done = gateword(
        "sweep", "coolant_pump", "TIMING.DEAD_TIME", "supply.max", "14..18V", "--check", "deadtimes"
    )
    assert done.status == 2
    assert "nearest: deadtime" in done.err
