"""The report command: where the page goes, what is said beside it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

Run = Callable[..., Any]


def test_the_page_goes_to_a_file_or_to_standard_output(gateword: Run, tmp_path: Path) -> None:
    target = tmp_path / "record.html"
    result = gateword("report", "coolant_pump", "-o", str(target))
    assert result.status == 0
    assert result.out == ""
    assert f"wrote {target}" in result.err
    assert target.read_text().startswith("<!DOCTYPE html>")
    assert gateword("report", "coolant_pump").out == target.read_text()


def test_findings_set_the_status_and_are_told(gateword: Run, tmp_path: Path) -> None:
    target = tmp_path / "record.html"
    result = gateword(
        "report", "coolant_pump", "--set", "TIMING.DEAD_TIME=600 ns", "-o", str(target), "--json"
    )
    assert result.status == 1
    made = json.loads(result.out)
    assert made["schema"] == 1
    assert made["counts"]["fails"] == 2
    assert made["findings"][0].startswith("deadtime.enough.high fails")
    assert target.exists()


def test_wrong_use(gateword: Run, tmp_path: Path) -> None:
    assert gateword("report", "coolant_pump", "--json").status == 2
    missing = gateword(
        "report", "coolant_pump", str(tmp_path / "nothing.vcd"), "-o", str(tmp_path / "x.html")
    )
    assert missing.status == 2
    assert "nothing.vcd" in missing.err
    assert not (tmp_path / "x.html").exists()
    folder = gateword("report", "coolant_pump", "-o", str(tmp_path))
    assert folder.status == 2
    assert "Traceback" not in folder.err
