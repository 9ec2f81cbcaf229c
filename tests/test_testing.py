"""The pytest plugin as a firmware team has it: fixtures and markers at hand, strict markers, in parallel."""

from __future__ import annotations

import re
import subprocess
import sys
from collections.abc import Callable
from importlib.metadata import entry_points
from pathlib import Path

import pytest

TESTS = """
import pytest
from regmap.wire.client import Client
from regmap.wire.layout import Hello
from regmap.wire.ports import Reopener, exchange


def test_twin(gateword_twin, tmp_path):
    twin = gateword_twin("quoll16", seed=1, vcd=tmp_path / "x.vcd")
    twin.disturb("uv_supply")
    twin.wait(0.001)
    assert not twin.fault_pin()


@pytest.mark.gateword("quoll16", seed=3)
@pytest.mark.disturbance("uv_supply at 2 ms", "ot at 5 ms")
def test_marked(gateword_chip):
    gateword_chip.wait(0.003)
    assert gateword_chip.machine.conditions == {"UV_SUPPLY"}
    gateword_chip.wait(0.003)
    assert gateword_chip.machine.conditions == {"UV_SUPPLY", "OT"}


@pytest.mark.parametrize("tcp", [False, True])
def test_port(gateword_port, tcp):
    line = Reopener(gateword_port("quoll16", tcp=tcp))()
    outcome = exchange(line, Client(timeout=5.0), Hello())
    line.close()
    assert outcome.answer.name == "twin of quoll16"


@pytest.mark.disturbance("no_power")
def test_marker_holds_for_ports_too(gateword_twin):
    assert not gateword_twin("wombat24").fault_pin()


def test_without_the_marker(gateword_chip):
    pass
"""


def run(folder: Path, *words: str, text: str = TESTS) -> subprocess.CompletedProcess[str]:
    (folder / "test_driver.py").write_text(text)
    installed = any(e.name == "gateword" for e in entry_points(group="pytest11"))
    plugin = [] if installed else ["-p", "regmap.testing"]
    return subprocess.run(
        [
            sys.executable,
            "-m",
            "pytest",
            "-q",
            "-p",
            "no:cacheprovider",
            "--strict-markers",
            *plugin,
            *words,
        ],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )


@pytest.mark.parametrize("words", [(), ("-n", "2")], ids=["alone", "xdist"])
def test_fixtures_and_markers_are_at_hand(tmp_path: Path, words: tuple[str, ...]) -> None:
    done = run(tmp_path, *words)
    assert "5 passed, 1 error" in done.stdout, done.stdout + done.stderr
    assert "has no @pytest.mark.gateword(MAP)" in done.stdout


def test_markers_are_told(tmp_path: Path) -> None:
    told = run(tmp_path, "--markers").stdout
    assert "gateword(map, **options)" in told
    assert "disturbance(what, ...)" in told


def test_the_plugin_is_declared_as_an_entry_point() -> None:
    text = (Path(__file__).parent.parent / "pyproject.toml").read_text()
    assert '[project.entry-points.pytest11]\ngateword = "regmap.testing"' in text


def test_loading_the_plugin_loads_nothing_heavy() -> None:
    code = "import sys, regmap.testing; print([m for m in ('numpy', 'yaml', 'construct', 'serial') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


def test_the_documented_c_driver_runs_against_the_simulated_chip(
    tmp_path: Path, need_tool: Callable[[str], str]
) -> None:
    """The example of regmap/README.md as it stands there, and one whose C forgets a step's result."""
    need_tool("cc")
    page = (Path(__file__).parents[1] / "regmap" / "README.md").read_text(encoding="utf-8")
    [example] = re.findall(r"^## Your C driver[^\n]*\n.*?^```python\n(.*?)^```$", page, re.S | re.M)
    done = run(tmp_path, text=example)
    assert "1 passed" in done.stdout, done.stdout + done.stderr
    careless = example.replace("return pump_run(", "(void)pump_run(").replace(
        "&failed);\n", "&failed);\n    return 0;\n"
    )
    done = run(tmp_path, text=careless)
    assert "1 failed" in done.stdout, done.stdout + done.stderr
