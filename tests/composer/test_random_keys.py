"""Random keys: never a traceback, never a line too long, always a consistent draft.

Short in the suite; `GATEWORD_RANDOM_KEYS=SECONDS` goes on for that long.
"""

from __future__ import annotations

import os
import shutil
import time
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from regmap.assessment.stage import assess
from regmap.draft.statements import settle
from regmap.maps.load import find_document
from regmap.stages.load import read_stage
from regmap.stages.save import edit_stage

SECONDS = float(os.environ.get("GATEWORD_RANDOM_KEYS", "0"))
_NO_FILES = (
    "sweep",
    "undo",
    "redo",
    "accept",
    "verdicts",
    "changes",
    "sequence",
    "compare reset",
    "compare saved",
    "explain",
    "paste 0x25D1",
    "GATE_HS.SOURCE",
    "dead",
    "56mA",
    "max",
    "+1",
    "-1",
    "0x5",
    "reset",
    "?",
    "STATUS1=0x109",
    "0x3FF",
    "find uv",
    "help",
    "options",
    "copy frame",
)
WORD = st.sampled_from(_NO_FILES).map(lambda w: [*w, "Enter"])
NAMED = st.sampled_from(
    [
        "Up",
        "Down",
        "Left",
        "Right",
        "Enter",
        "Esc",
        "Tab",
        "PageUp",
        "PageDown",
        "Home",
        "End",
        "Backspace",
        "Delete",
        *(f"^{c}" for c in "ABCDEFGHJKLNPQRSTUWYZ"),
    ]
).map(lambda k: [k])
CHARACTERS = st.text(
    st.characters(codec="utf-8", exclude_categories=("Cs", "Cc", "Zl", "Zp")),
    min_size=1,
    max_size=3,
).map(list)
ANSWER = st.sampled_from("skdnrfm").map(lambda k: [k])
ARROWS = st.sampled_from(["Up", "Down", "Right", "Enter", "Esc", "Left"]).map(lambda k: [k])
STEPS = st.lists(st.one_of(ARROWS, WORD, NAMED, CHARACTERS, ANSWER), max_size=30).map(
    lambda parts: [k for p in parts for k in p]
)
SIZES = st.sampled_from([(80, 24), (120, 40), (46, 14), (30, 6)])


def consistent(driver: Any) -> None:
    """The draft is what its statements settle to, its verdicts are those of a fresh assessment, the journal holds it."""
    draft = driver.session.draft
    settled = settle(draft.chip, draft.stage.params, draft.statements)
    assert settled.refused == {}
    assert settled.bank.words == draft.bank.words
    counts = assess(draft.stage, draft.bank).counts
    assert draft.assess().counts == counts
    text = edit_stage(driver.session.keeper.text, draft.unsaved(), draft.chip)
    stage, problems = read_stage("s.yaml", text=text)
    if stage is None:
        assert any("rule" in p.found for p in problems)
    else:
        assert stage.bank.words == draft.bank.words


def play(new_driver: Any, keys: list[str], size: tuple[int, int], folder: Path) -> None:
    pump = Path(shutil.copy(find_document("coolant_pump"), folder / "pump.yaml"))
    driver = new_driver(str(pump), folder / "state", *size)
    try:
        for key in keys:
            driver.press(key)
            assert len(driver.lines) == size[1]
            if driver.view.done:
                break
        consistent(driver)
    finally:
        driver.session.keeper.journal.discard()
        new_driver.every.clear()


def _settings(**more: Any) -> Any:
    return settings(
        deadline=None,
        suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
        **more,
    )


@given(keys=STEPS, size=SIZES)
@_settings(max_examples=8)
def test_random_keys(
    keys: list[str],
    size: tuple[int, int],
    tmp_path: Path,
    new_driver: Any,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.chdir(tmp_path)
    play(new_driver, keys, size, tmp_path)


@pytest.mark.skipif(
    not SECONDS, reason="GATEWORD_RANDOM_KEYS=SECONDS drives random keys for that long"
)
@pytest.mark.slow
def test_random_keys_for_long(
    tmp_path: Path, new_driver: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    end = time.monotonic() + SECONDS

    @given(keys=STEPS, size=SIZES)
    @_settings(max_examples=50, database=None)
    def round_of(keys: list[str], size: tuple[int, int]) -> None:
        play(new_driver, keys, size, tmp_path)

    while time.monotonic() < end:
        round_of()
