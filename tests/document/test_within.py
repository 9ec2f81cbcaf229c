"""What a document names: its own folder tree, bundled maps, the working folder, what an option allows."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

import regmap
from regmap.document.within import may_read, reading_within
from regmap.maps.load import load_map
from regmap.stages.load import read_stage

DEVICES = Path(regmap.__file__).parents[1] / "devices"
SECRET = "password: hunter2"


@pytest.fixture
def tree(tmp_path: Path) -> Path:
    """stages/pump.yaml with maps/chip.yaml beside its folder, and a secret outside both."""
    for name in ("stages", "maps", "home"):
        (tmp_path / name).mkdir()
    (tmp_path / "maps" / "chip.yaml").write_bytes((DEVICES / "quoll16.yaml").read_bytes())
    (tmp_path / "home" / "secret.txt").write_text(f"{SECRET}\n")
    return tmp_path


def stage(tree: Path, target: str) -> Path:
    path = tree / "stages" / "pump.yaml"
    text = (DEVICES / "coolant_pump.yaml").read_text(encoding="utf-8")
    path.write_text(text.replace("map: quoll16", f"map: {target}"), encoding="utf-8")
    return path


def vet(tree: Path, path: Path, *more: str, cwd: str = "stages") -> tuple[int, str]:
    done = subprocess.run(
        [sys.executable, "-m", "regmap.cli.main", "vet", str(path), *more],
        cwd=tree / cwd, capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    return done.returncode, done.stdout + done.stderr


def test_a_map_outside_is_refused_at_its_line_and_not_a_word_of_it_shown(tree: Path) -> None:
    for target in (
        "../home/secret.txt",
        str(tree / "home" / "secret.txt"),
        "/proc/self/environ",
        "/etc/passwd",
    ):
        path = stage(tree, target)
        line = path.read_text().splitlines().index(f"map: {target}") + 1
        status, said = vet(tree, path)
        assert status == 1
        assert f"{path}:{line}:6: error: '{target}', outside the folder of the stage" in said
        assert "--within FOLDER" in said
        assert SECRET not in said
        assert "root:" not in said.replace("root: ", "")


def test_a_link_is_followed_before_it_is_judged(tree: Path) -> None:
    (tree / "stages" / "near.yaml").symlink_to(tree / "home" / "secret.txt")
    status, said = vet(tree, stage(tree, "near.yaml"))
    assert status == 1
    assert SECRET not in said
    assert "outside the folder of the stage" in said


@pytest.mark.parametrize("kind", ["pipe", "device"])
def test_a_pipe_or_device_beside_the_stage_is_no_map(tree: Path, kind: str) -> None:
    place = tree / "stages" / "chip.yaml"
    if kind == "pipe":
        os.mkfifo(place)
    else:
        place.symlink_to("/dev/zero")
    status, said = vet(tree, stage(tree, "chip.yaml"))
    assert status == 1
    assert "which is no file" in said


def test_the_working_folder_and_the_option_open_further_trees(tree: Path) -> None:
    path = stage(tree, "../maps/chip.yaml")
    status, said = vet(tree, path)
    assert status == 1
    assert "outside the folder of the stage" in said
    assert vet(tree, path, "--within", str(tree / "maps"))[0] == 0
    assert vet(tree, path, cwd=".")[0] == 0
    assert vet(tree, path, "--within", str(tree / "home"))[0] == 1


def test_the_library_opens_trees_for_a_while(tree: Path) -> None:
    path = stage(tree, "../maps/chip.yaml")
    assert read_stage(path)[0] is None
    with reading_within([tree / "maps"]):
        assert read_stage(path)[0] is not None
        with reading_within([tree / "home"]):
            assert may_read(tree / "home" / "secret.txt", path)
            assert read_stage(path)[0] is not None
        assert not may_read(tree / "home" / "secret.txt", path)
    assert read_stage(path)[0] is None


def test_a_neighbour_of_the_same_beginning_is_outside(tree: Path) -> None:
    (tree / "stages2").mkdir()
    assert not may_read(tree / "stages2" / "x.yaml", tree / "stages" / "pump.yaml")
    assert may_read(tree / "stages" / "deep" / "x.yaml", tree / "stages" / "pump.yaml")


def test_bundled_maps_may_be_named_by_anyone(tree: Path) -> None:
    assert load_map("quoll16").name == "quoll16"
    assert vet(tree, stage(tree, "quoll16"))[0] == 0
