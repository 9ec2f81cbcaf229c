"""Every bundled capture tells its story, word for word. Refresh with GATEWORD_GOLDEN=1 and read the difference."""

from __future__ import annotations

import io
import os
from pathlib import Path

import pytest

from regmap.cli.context import Context
from regmap.cli.main import main

HERE = Path(__file__).parent
CAPTURES = HERE.parent.parent / "captures"

#: those that are no proof that all is well; a fault of the chip alone stops no gate unless asked for
STOPPING = {"pump_brown_out", "pump_dead_reply", "pump_locked_write", "wrong_mode"}

#: capture -> options; what stands in captures/README.md
STORIES = {
    # its firmware polls every 5 ms, the stage counts on 1 ms
    "pump_short": ["--stage", "coolant_pump", "--accept", "figures"],
    "pump_brown_out": ["--map", "quoll16"],
    "pump_dead_reply": ["--map", "quoll16"],
    "pump_locked_write": ["--stage", "coolant_pump"],
    "drum_bring_up": ["--stage", "conveyor_drum"],
    "drum_short": ["--map", "numbat24"],
    "wrong_mode": ["--map", "quoll16"],
    "chain_pair": ["--map", "numbat24", "--chain", "2"],
}


def run(*arguments: str) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    status = main(list(arguments), Context(stdout=out, stderr=err, environ={}))
    return status, out.getvalue(), err.getvalue()


@pytest.mark.parametrize("name", STORIES)
def test_story(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(CAPTURES.parent)
    status, out, err = run("capture", f"captures/{name}.vcd", *STORIES[name])
    assert (status, err) == (int(name in STOPPING), "")
    golden = HERE / f"{name}.txt"
    if os.environ.get("GATEWORD_GOLDEN") == "1":
        golden.write_text(out)
    assert out == golden.read_text()


@pytest.mark.parametrize("name", STORIES)
def test_eighty_columns(name: str) -> None:
    text = (HERE / f"{name}.txt").read_text()
    assert max(map(len, text.splitlines())) <= 80


def test_every_shipped_capture_has_a_story_and_a_note_of_origin() -> None:
    bundled = {p.stem for p in CAPTURES.glob("*.vcd")}
    assert bundled == set(STORIES)
    readme = (CAPTURES / "README.md").read_text()
    assert all(f"`{name}.vcd`" in readme for name in bundled)
    assert all(p.stat().st_size < 300_000 for p in CAPTURES.glob("*.vcd"))
