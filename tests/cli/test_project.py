"""`gateword new project`: the folder walks from vet to record by its own Makefile, without a network."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from regmap.report import is_record
from regmap.stages.load import load_stage

Run = Callable[..., Any]


def make(folder: Path, *targets: str) -> subprocess.CompletedProcess[str]:
    """`make` with this program, and with a network that answers nobody."""
    proxy = "http://127.0.0.1:9"
    environ = {**os.environ, "http_proxy": proxy, "https_proxy": proxy, "MAKEFLAGS": ""}
    return subprocess.run(
        ["make", f"GATEWORD={sys.executable} -m regmap.cli", *targets],
        cwd=folder,
        env=environ,
        capture_output=True,
        text=True,
        timeout=180,
        check=False,
    )


@pytest.fixture
def project(gateword: Run, tmp_path: Path, need_tool: Callable[[str], str]) -> Path:
    need_tool("make")
    folder = tmp_path / "fan drive" / "fan"
    folder.parent.mkdir()
    result = gateword("new", "project", str(folder))
    assert result.status == 0, result
    return folder


def test_make_goes_from_vet_to_record(project: Path) -> None:
    whole = (
        os.environ.get("GATEWORD_ALL_RUNS") == "1"
    )  # with the simulated faults and the record, too
    done = make(project) if whole else make(project, "vet", "check", "header")
    assert done.returncode == 0, done.stderr + done.stdout
    if whole:
        assert is_record((project / "out" / "fan.html").read_text())
        assert "<testsuite" in (project / "out" / "faults.xml").read_text()
    assert (project / "out" / "fan.h").read_text().startswith("/*")
    stage = load_stage(project / "fan.yaml")
    assert (stage.name, Path(stage.chip.files[0]).name) == ("fan", "driver.yaml")
    # a change that breaks a verdict stops at `check`; one in the map makes the header anew
    assert make(project, "stale").returncode == 0
    text = (project / "fan.yaml").read_text()
    assert "DEAD_TIME: 1 us" in text
    (project / "fan.yaml").write_text(text.replace("DEAD_TIME: 1 us", "DEAD_TIME: 150 ns"))
    failed = make(project, "check")
    assert failed.returncode != 0
    assert "deadtime.enough.high" in failed.stdout
    before = (project / "out" / "fan.h").read_text()
    assert make(project, "header").returncode == 0
    assert (project / "out" / "fan.h").read_text() != before


def test_the_script_for_ci_is_the_makefile(project: Path, need_tool: Callable[[str], str]) -> None:
    need_tool("sh")
    script = project / "ci" / "run.sh"
    assert os.access(script, os.X_OK)
    assert subprocess.run(["sh", "-n", str(script)], check=False).returncode == 0
    told = subprocess.run(
        ["make", "-n", "clean", "all", "stale"],
        cwd=project,
        capture_output=True,
        text=True,
        check=True,
    ).stdout
    for command in ("vet", "check", "header", "campaign", "report"):
        assert f"gateword {command} " in told


def test_every_command_and_file_that_the_readme_names_is_there(
    project: Path, gateword: Run
) -> None:
    import re

    text = (project / "README.md").read_text()
    targets = set(re.findall(r"`make (\w+)`", text))
    assert targets >= {"vet", "check", "header", "faults", "record", "stale"}
    listed = (project / "Makefile").read_text()
    assert all(f"\n{t}:" in listed for t in targets)
    for name in ("driver.yaml", "fan.yaml", "Makefile", "ci/run.sh"):
        assert f"`{name}`" in text
        assert (project / name).exists()
    assert "qualified, licensed practice" in text
    assert (
        gateword("vet", "--strict", str(project / "driver.yaml"), str(project / "fan.yaml")).status
        == 0
    )


def test_a_folder_with_files_is_left_alone(gateword: Run, tmp_path: Path) -> None:
    (tmp_path / "pump").mkdir()
    (tmp_path / "pump" / "mine.txt").write_text("kept")
    result = gateword("new", "project", str(tmp_path / "pump"))
    assert result.status == 2
    assert "not empty" in result.err
    assert [p.name for p in (tmp_path / "pump").iterdir()] == ["mine.txt"]
    assert gateword("new", "project", str(tmp_path / "1 2")).status == 2
    assert gateword("new", "project").status == 2


def test_a_project_around_a_map_of_ones_own(gateword: Run, tmp_path: Path) -> None:
    mine = tmp_path / "mine.yaml"
    shutil.copy(Path(load_stage("coolant_pump").chip.files[0]), mine)
    assert gateword("new", "project", str(tmp_path / "pump"), "--map", str(mine)).status == 0
    assert (tmp_path / "pump" / "driver.yaml").read_bytes() == mine.read_bytes()
    assert gateword("vet", str(tmp_path / "pump" / "pump.yaml")).status == 0
