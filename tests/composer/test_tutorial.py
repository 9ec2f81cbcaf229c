"""The ten tasks of the tutorial, key by key: each step is suggested by the screen before it is done.

A step is (what the screen must show, the keys). What is typed must stand on the screen already, except what the
user alone knows (a value wanted, a word read from a chip), which is marked so. The tutorial's own text in the
README is held to these steps.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest

from regmap.stages.load import load_stage

ROOT = Path(__file__).parents[2]
OWN = "the user's own: "

#: task -> steps: (text on the screen that suggests it, "key Down" or "type TEXT")
TASKS: list[tuple[str, list[tuple[str, str]]]] = [
    (
        "Find the dead time",
        [
            ("type part of a name, meaning, fault or unit to find it", f"{OWN}dead"),
            ("enter goes to TIMING.DEAD_TIME", "key Enter"),
        ],
    ),
    (
        "Try its options",
        [
            ("Right: options", "key Right"),
            ("Up/Down try", "key Up"),
            ("Up/Down try", "key Up"),
            ("Esc back", "key Esc"),
        ],
    ),
    (
        "Set a value as you would write it",
        [("2 us", f"{OWN}2us"), ("enter sets TIMING.DEAD_TIME to 2 us", "key Enter")],
    ),
    ("Take it back", [("Z undo", "key ^Z")]),
    (
        "See every option at once",
        [
            ("words: in modes find verdicts inputs sweep", "type sweep"),
            ("enter: sweep [NAME]", "key Enter"),
            ("Esc back", "key Esc"),
        ],
    ),
    (
        "Let it propose",
        [
            ("sweep propose", "type propose"),
            ("enter: propose", "key Enter"),
            ("enter accepts it", "key Enter"),
            ("Z undo", "key ^Z"),
        ],
    ),
    (
        "Ask what a status word says",
        [
            ("propose explain", "type explain"),
            ("enter: explain", "key Enter"),
            ("explain STATUS1=0x...", f"{OWN}STATUS1=0x109"),
            ("enter explains what STATUS1 = 0x109 says", "key Enter"),
        ],
    ),
    (
        "Paste a raw frame",
        [
            ("Esc back", "key Esc"),
            ("explain paste", f"type paste {OWN}0x25D1"),
            ("enter: paste FRAME", "key Enter"),
            ("enter accepts it", "key Enter"),
        ],
    ),
    (
        "Compare",
        [
            ("paste compare", "type compare"),
            ("saved", "type  saved"),
            ("enter: compare WITH", "key Enter"),
            ("Esc back", "key Esc"),
        ],
    ),
    (
        "Save and leave",
        [
            ("S save", "key ^S"),
            ("save my_coolant_pump.yaml", "type save my_coolant_pump.yaml"),
            ("enter: save [FILE]", "key Enter"),
            ("Q leave", "key ^Q"),
        ],
    ),
]

EXPECTED = {
    "Find the dead time": "TIMING.DEAD_TIME  dead time the chip inserts",
    "Set a value as you would write it": "1 not saved",
    "Take it back": "| saved",
    "See every option at once": "Right: options",
    "Let it propose": "| saved",
    "Ask what a status word says": "STOP UV_SUPPLY",
    "Paste a raw frame": "GATE_HS.SINK is now 510 mA",
    "Compare": "Right: options",
}


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40)])
@pytest.mark.one_in(2)
def test_no_step_that_the_screen_does_not_suggest(
    new_driver: Any,
    state: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    width: int,
    height: int,
) -> None:
    monkeypatch.chdir(tmp_path)
    driver = new_driver("coolant_pump", state, width, height)
    for task, steps in TASKS:
        for suggested, step in steps:
            seen = " ".join(driver.text.split())
            assert " ".join(suggested.split()) in seen, (
                f"{task}: {step!r} is not suggested by\n{driver.text}"
            )
            kind, _, what = step.partition(" ")
            if step.startswith(OWN):
                driver.type(step.removeprefix(OWN))
            elif kind == "key":
                assert {
                    "Enter": "nter",
                    "Up": "Up/Down",
                    "^Z": "Z undo",
                    "^S": "S save",
                    "^Q": "Q leave",
                }.get(what, what) in seen, f"{what} is not shown"
                driver.press(what)
            else:
                known = what.partition(OWN)[0]
                assert known.strip() in seen, f"{task}: {known!r} is not on the screen"
                driver.type(what.replace(OWN, ""))
        if task in EXPECTED:
            assert EXPECTED[task] in driver.text, driver.text
    assert driver.view.done
    assert load_stage("my_coolant_pump.yaml").bank.words == driver.session.draft.bank.words
    assert any("gateword decode quoll16 0x25D1" in line for line in driver.session.farewell())


def test_the_readme_tells_these_ten_tasks() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    if "### Ten tasks in the composer" not in text:
        pytest.skip("the README has no tutorial yet")
    part = text[text.index("### Ten tasks in the composer") :]
    assert re.findall(r"^\d+\. \*\*(.+?)\.\*\*", part, re.MULTILINE)[:10] == [t for t, _ in TASKS]
    for _, steps in TASKS:
        for _, step in steps:
            typed = step.replace("type ", "").replace(OWN, "").strip()
            if not step.startswith("key"):
                assert typed in part, f"the README does not tell to type {typed}"
