"""Make, CMake and Ninja rebuild exactly when a YAML file that was read changes."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from regmap.maps.load import bundled

HERE = Path(__file__).parent
GATEWORD = f"{sys.executable} -m regmap.cli"

MAP = """\
gateword_map: 1
extends: quoll16.yaml
chip:
  name: quoll16
  title: Three-phase gate driver with another identification (invented)
  invented: yes
"""


@pytest.fixture
def project(tmp_path: Path) -> Path:
    """Stage, map that extends another, and that other map, in one folder."""
    known = bundled("devices")
    stage = known["coolant_pump"].read_text("utf-8").replace("map: quoll16", "map: our_map.yaml")
    (tmp_path / "stage.yaml").write_text(stage, "utf-8")
    (tmp_path / "our_map.yaml").write_text(MAP, "utf-8")
    shutil.copy(known["quoll16"], tmp_path / "quoll16.yaml")
    return tmp_path


def change(path: Path, old: str, new: str) -> None:
    text = path.read_text("utf-8")
    assert old in text
    path.write_text(text.replace(old, new, 1), "utf-8")
    later(path)


def later(path: Path) -> None:
    """A time stamp of now, after everything that was built."""
    now = time.time_ns()
    os.utime(path, ns=(now, now))


def lines(path: Path) -> int:
    return len(path.read_text().splitlines()) if path.exists() else 0


def recovers(folder: Path, firmware: Path, outputs: list[str], build: Callable[[], int]) -> None:
    """Each output deleted in turn, then all of them: the next build makes it again, and the same program."""
    said = subprocess.run([firmware], capture_output=True, check=True).stdout
    for gone in [*([name] for name in outputs), outputs]:
        for name in gone:
            (folder / name).unlink(missing_ok=True)
        assert build() == 0, gone
        there = [n for n in outputs if n.endswith((".h", ".c"))]
        assert [n for n in there if (folder / n).is_file()] == there, gone
        assert subprocess.run([firmware], capture_output=True, check=True).stdout == said
    assert build() == 0


def test_make(project: Path, need_tool: Callable[[str], str]) -> None:
    make = need_tool("make")
    for name in ("Makefile", "main.c"):
        shutil.copy(HERE / "make" / name, project)

    def build(*more: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [make, f"GATEWORD={GATEWORD}", *more], cwd=project, capture_output=True, text=True
        )

    def counts() -> tuple[int, int]:
        return lines(project / "generated.log"), compiled()

    def compiled() -> int:
        """How often the program was compiled; of the tables' own source there is one line more each time."""
        log = project / "compiled.log"
        return log.read_text().count("main.o") if log.exists() else 0

    first = build()
    assert first.returncode == 0, first.stderr
    assert counts() == (1, 1)
    build()
    assert counts() == (1, 1)
    change(
        project / "quoll16.yaml", "dead time the chip inserts", "dead time that the chip inserts"
    )
    assert build().returncode == 0
    assert counts() == (2, 2)
    change(project / "our_map.yaml", "another identification", "its own identification")
    build()
    assert counts() == (3, 3)
    # only touched: generated again, but the header is the same, so nothing is compiled
    later(project / "stage.yaml")
    build()
    assert counts() == (4, 3)
    build()
    assert counts() == (4, 3)
    assert build("check").returncode == 0
    change(project / "stage.yaml", "FILTER: 1 us", "FILTER: 500 ns")
    stale = build("check")
    assert stale.returncode != 0
    assert "TIMING.FILTER" in stale.stdout
    assert build().returncode == 0
    assert counts() == (5, 4)
    recovers(
        project,
        project / "firmware",
        ["drive.h", "drive.c", "drive.d", "drive.stamp"],
        lambda: build().returncode,
    )
    before = counts()
    assert build().returncode == 0
    assert counts() == before


@pytest.mark.parametrize("generator", ["Ninja", "Unix Makefiles"])
@pytest.mark.one_in(2)
def test_cmake(generator: str, project: Path, need_tool: Callable[[str], str]) -> None:
    cmake = need_tool("cmake")
    if generator == "Ninja":
        need_tool("ninja")
    for name in ("CMakeLists.txt", "main.c"):
        shutil.copy(HERE / "cmake" / name, project)
    build = project / "build"
    command = ";".join(GATEWORD.split())
    subprocess.run(
        [cmake, "-G", generator, "-S", project, "-B", build, f"-DGATEWORD={command}"],
        check=True,
        capture_output=True,
    )
    firmware, stamp = build / "firmware", build / "generated" / "drive.stamp"

    def again() -> tuple[str, int, int]:
        """Build; the program's bytes, and what was generated and linked since (1 or 0)."""
        before = stamp.stat().st_mtime_ns, firmware.stat().st_mtime_ns
        done = subprocess.run([cmake, "--build", build], capture_output=True, text=True)
        assert done.returncode == 0, done.stdout + done.stderr
        after = stamp.stat().st_mtime_ns, firmware.stat().st_mtime_ns
        said = subprocess.run([firmware], capture_output=True, text=True, check=True).stdout
        return said, int(after[0] != before[0]), int(after[1] != before[1])

    subprocess.run([cmake, "--build", build], check=True, capture_output=True)
    said, generated, linked = again()
    assert (generated, linked) == (0, 0)
    change(
        project / "quoll16.yaml", "dead time the chip inserts", "dead time that the chip inserts"
    )
    other, generated, linked = again()
    assert (generated, linked) == (1, 1)
    assert other != said
    assert again() == (other, 0, 0)
    made = ["drive.h", "drive.c", "drive.stamp"]
    recovers(
        stamp.parent,
        firmware,
        made,
        lambda: (
            subprocess.run([cmake, "--build", build], capture_output=True, check=False).returncode
        ),
    )
    assert again() == (other, 0, 0)


def test_ninja(project: Path, need_tool: Callable[[str], str]) -> None:
    ninja = need_tool("ninja")
    need_tool("cc")
    for name in ("build.ninja", "main.c"):
        shutil.copy(HERE / "ninja" / name, project)
    change(project / "build.ninja", "gateword = gateword", f"gateword = {GATEWORD}")

    def again() -> tuple[int, int]:
        """Build; what was generated and compiled anew (1 or 0)."""
        names = [project / "drive.h", project / "main.o"]
        before = [p.stat().st_mtime_ns if p.exists() else 0 for p in names]
        done = subprocess.run([ninja], cwd=project, capture_output=True, text=True)
        assert done.returncode == 0, done.stdout + done.stderr
        after = [p.stat().st_mtime_ns for p in names]
        return int(after[0] != before[0]), int(after[1] != before[1])

    assert again() == (1, 1)
    assert again() == (0, 0)
    change(
        project / "quoll16.yaml", "dead time the chip inserts", "dead time that the chip inserts"
    )
    assert again() == (1, 1)
    later(project / "stage.yaml")
    assert again() == (0, 0)
    recovers(
        project,
        project / "firmware",
        ["drive.h", "drive.c"],
        lambda: subprocess.run([ninja], cwd=project, capture_output=True, check=False).returncode,
    )
    said = subprocess.run([ninja, "-n"], cwd=project, capture_output=True, text=True).stdout
    assert "no work to do" in said


def test_a_system_with_the_target_app(project: Path, need_tool: Callable[[str], str]) -> None:
    """As Zephyr's applications are built; its package is stood in for, it is not installed here."""
    cmake = need_tool("cmake")
    need_tool("ninja")
    for name in ("CMakeLists.txt", "main.c"):
        shutil.copy(HERE / "zephyr" / name, project)
    build = project / "build"
    subprocess.run(
        [cmake, "-G", "Ninja", "-S", project, "-B", build, f"-DGATEWORD={';'.join(GATEWORD.split())}"],
        check=True, capture_output=True, env={**os.environ, "ZEPHYR_BASE": str(HERE / "zephyr" / "stand_in")},
    )  # fmt: skip
    firmware = build / "firmware"

    def again() -> tuple[str, int]:
        before = firmware.stat().st_mtime_ns if firmware.exists() else 0
        done = subprocess.run([cmake, "--build", build], capture_output=True, text=True)
        assert done.returncode == 0, done.stdout + done.stderr
        said = subprocess.run([firmware], capture_output=True, text=True, check=True).stdout
        return said, int(firmware.stat().st_mtime_ns != before)

    first, _ = again()
    assert again() == (first, 0)
    change(
        project / "quoll16.yaml", "dead time the chip inserts", "dead time that the chip inserts"
    )
    other, linked = again()
    assert linked == 1
    assert other != first
    recovers(
        build / "generated",
        firmware,
        ["drive.h", "drive.c", "drive.stamp"],
        lambda: (
            subprocess.run([cmake, "--build", build], capture_output=True, check=False).returncode
        ),
    )


def test_the_readme_names_every_recipe() -> None:
    text = (HERE / "README.md").read_text("utf-8")
    recipes = [
        p for p in HERE.glob("*/*") if p.name in ("Makefile", "build.ninja", "CMakeLists.txt")
    ]
    assert len(recipes) == 4
    for path in recipes:
        assert f"]({path.parent.name}/{path.name})" in text
        recipe = re.sub(r"\s+", " ", path.read_text("utf-8"))
        # the very line, with the names of files as each build writes them
        assert re.search(r" header \S+ --prefix gd -o \S+ --source \S+ --depfile \S+", recipe), path
    assert (
        "gateword header stage.yaml --prefix gd -o drive.h --source drive.c --depfile drive.d\n"
        in text
    )
