"""Stories of a Quoll-16, told by a model that shares nothing with the judge: is the first cause found, and nothing else?

The model (storychip.py) drives six lines edge by edge from the data sheet's prose. Which fault comes first follows from
the script; that an interlocked cause is told before its consequence: common practice, no source.
"""

from __future__ import annotations

import importlib.util
import io
import os
import random
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from regmap.capture.formats.opening import open_capture
from regmap.cli.context import Context
from regmap.cli.main import main
from regmap.maps.load import load_map
from regmap.trace.telling.story import Story, tell
from regmap.trace.tracer import trace_capture


def beside(name: str) -> ModuleType:
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
        assert spec
        assert spec.loader
        sys.modules[name] = importlib.util.module_from_spec(spec)
        spec.loader.exec_module(sys.modules[name])
    return sys.modules[name]


#: all cases and more draws: GATEWORD_EVERY_CAPTURE=1
EVERY = os.environ.get("GATEWORD_EVERY_CAPTURE") == "1"
STORIES = beside("stories").STORIES
CHIP = load_map("quoll16")


def told(dump: str) -> Story:
    with open_capture(io.BytesIO(dump.encode()), name="story") as capture:
        return tell(trace_capture(capture, [CHIP]))


def judged(wanted: Any, story: Story) -> list[str]:
    """Everything that is not as the story wants it."""
    text = " / ".join(story.telling)
    wrong = [f"not said: {t}" for t in wanted.says if t not in text]
    wrong += [f"said: {t}" for t in wanted.never if t in text]
    firsts = [
        e.explanation.findings[0].fault.name for e in story.episodes if e.explanation.findings
    ]
    if wanted.first and (not firsts or firsts[0] != wanted.first):
        wrong.append(f"first is {firsts[:1]}, not {wanted.first}")
    if not wanted.first and any(not CHIP.faults[n].summary_of for n in firsts):
        wrong.append(f"told of {firsts}")
    if wanted.together:
        causes = [f.fault.name for e in story.episodes[:1] for f in e.explanation.findings]
        wrong += [f"{n} is not a cause of its own" for n in wanted.together if n not in causes]
    stops = {s.name for s in story.stops} - {"faults"}
    wrong += [f"does not stop for {n}" for n in wanted.stops if n not in stops]
    wrong += [f"stops for {n}" for n in sorted(stops - {*wanted.stops, *wanted.may})]
    return wrong


@pytest.mark.parametrize("name", STORIES)
def test_story(name: str) -> None:
    wanted = STORIES[name]
    story = told(beside("storychip").Bench().run(wanted.script))
    assert not judged(wanted, story), "\n".join(story.telling)


def test_there_are_forty() -> None:
    assert len(STORIES) >= 40
    source = Path(__file__).with_name("storychip.py").read_text()
    assert "import regmap" not in source
    assert "from regmap" not in source


# --- the same from a VHDL simulator -----------------------------------------------------------------------
VHDL = Path(__file__).parents[1] / "vhdl" / "story.vhd"


@pytest.fixture(scope="module")
def simulate(
    tmp_path_factory: pytest.TempPathFactory, need_tool: Callable[[str], str]
) -> Callable[[str], str]:
    """A script to the dump that GHDL writes of the VHDL model: std_logic with pull-ups, times in fs."""
    ghdl = need_tool("ghdl")
    folder = tmp_path_factory.mktemp("ghdl")
    for step in (["-a", "--std=08", str(VHDL)], ["-e", "--std=08", "bench"]):
        subprocess.run([ghdl, *step], cwd=folder, check=True, capture_output=True)

    def run(script: str) -> str:
        (folder / "story.txt").write_text(script)
        made = [ghdl, "-r", "--std=08", "bench", "--vcd=story.vcd"]
        subprocess.run(made, cwd=folder, check=True, capture_output=True)
        return (folder / "story.vcd").read_text()

    return run


@pytest.mark.parametrize("name", list(STORIES) if EVERY else list(STORIES)[::8])
def test_story_in_vhdl(name: str, simulate: Callable[[str], str]) -> None:
    wanted = STORIES[name]
    story = told(simulate(wanted.script))
    assert not judged(wanted, story), "\n".join(story.telling)


def test_the_summary_is_bounded(tmp_path: Path) -> None:
    """Hundreds of different sets of faults: a page or two, and what was left out is said."""
    draw = random.Random(1)
    script = "R 1\nW A 200\n"
    for _ in range(300 if EVERY else 60):
        hits = [
            f"S {draw.choice([0, 0, 1, 2])} {draw.randint(1, 5)}\n"
            for _ in range(draw.randint(1, 4))
        ]
        script += "D 100\n" + "".join(hits) + "R 0\nR 1\nR 2\nW A 200\nR 0\nR 1\nR 2\n"
    path = tmp_path / "many.vcd"
    path.write_text(beside("storychip").Bench().run(script))
    out = io.StringIO()
    main(
        ["capture", str(path), "--map", "quoll16", "--summary"],
        Context(stdout=out, stderr=out, environ={}),
    )
    assert len(out.getvalue()) < 24_000
    assert (
        "more sets of faults are not explained here; --faults lists every interval"
        in out.getvalue()
    )
    assert "lesser remarks left out" in out.getvalue()
