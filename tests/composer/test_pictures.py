"""Timeline and sweep in block characters, the same as plain text for who hears them; frames pasted, ways out, the clipboard."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import Any

import pytest

from regmap.assessment.stage import inputs_of
from regmap.calc.period import timeline
from regmap.cli.composer.pictures import band_bar, margin_bar
from regmap.cli.context import Context
from regmap.cli.main import main
from regmap.stages.load import load_stage

Driver = Any
BLOCKS = re.compile("[░█▏▎▍▌▋▊▉]")


def lines(document: str, state: Path, text: str) -> tuple[int, str]:
    out = io.StringIO()
    context = Context(
        stdin=io.StringIO(text), stdout=out, stderr=out, environ={"GATEWORD_STATE": str(state)}
    )
    return main(["compose", document], context), out.getvalue()


@pytest.mark.parametrize(
    ("share", "bar"), [(0.0, ""), (0.5, "█████"), (1.0, "█" * 10), (7.0, "█" * 10), (0.0625, "▋"), (-0.2, "!!"), (float("inf"), "")]
)  # fmt: skip
def test_a_margin_as_a_bar(share: float, bar: str) -> None:
    assert margin_bar(share, 10) == bar


def test_a_band_as_a_bar() -> None:
    assert band_bar(2, 5, 8, 10, 11) == "  ░░░█░░░"
    assert band_bar(0, 0, 0, 10, 11) == "█"
    assert band_bar(10, 10, 10, 10, 11) == " " * 10 + "█"
    assert band_bar(1, 2, 3, 0, 11) == ""


def test_the_timeline_tells_every_instant_of_the_calculation(pump: Path, state: Path) -> None:
    _, out = lines(str(pump), state, "timeline high\nleave\n")
    found = timeline(inputs_of(load_stage(pump)), "high").instants
    assert len(found) > 8
    for instant in found:
        assert re.search(rf"{re.escape(instant.name)} +{re.escape(instant.time.text())}", out)
    assert not BLOCKS.search(out), "a pipe or a screen reader gets the numbers alone"


def test_the_screen_draws_bands_and_margins_in_order(driver: Driver) -> None:
    driver.width, driver.height = 120, 40
    driver.enter("timeline")
    rows = [r.text for r in driver.view.sheet.rows]
    drawn = [r for r in rows if BLOCKS.search(r)]
    period = timeline(inputs_of(load_stage("coolant_pump")), "low")
    found = [i for i in period.instants if i.phase == "on"]
    assert len(drawn) >= len(found)
    starts = [r.index("█") for r in drawn[: len(found)]]
    times = [float(i.time.typ) for i in found]
    assert [starts[times.index(t)] for t in sorted(times)] == sorted(starts)
    driver.press("Esc").enter("sweep TIMING.DEAD_TIME")
    assert BLOCKS.search("\n".join(r.text for r in driver.view.sheet.rows))


def test_the_timeline_at_a_duty_and_for_a_direction(pump: Path, state: Path) -> None:
    _, out = lines(str(pump), state, "timeline low highest out\ntimeline high 100 % in\nleave\n")
    inputs = inputs_of(load_stage(pump))
    for instant in timeline(inputs, "low", duty="highest", current="out").instants:
        assert re.search(rf"{re.escape(instant.name)} +{re.escape(instant.time.text())}", out)
    assert "100 % the high side stays on" in out
    status, out = lines(str(pump), state, "timeline low 130 %\nleave\n")
    assert status == 1
    assert "a duty of 0 % to 100 %" in out


def test_a_side_that_is_none_is_refused(pump: Path, state: Path) -> None:
    status, out = lines(str(pump), state, "timeline left\n")
    assert status == 1
    assert "timeline high" in out


@pytest.mark.parametrize("typed", ["0x2291 0x2000", "paste 0x2291 0x2000", "paste 2291 2000"])
def test_several_frames_are_pasted_at_once(pump: Path, state: Path, typed: str) -> None:
    _, out = lines(str(pump), state, f"{typed}\naccept\nleave drop\n")
    assert "2 frames" in out
    assert "0x2291  write GATE_HS = 0x148" in out
    assert "0x2000  write GATE_HS = 0x000" in out


def test_esc_twice_from_the_list_leaves_and_asks_where_something_would_be_lost(
    driver: Driver,
) -> None:
    driver.press("Esc")
    assert "Esc again" in driver.said
    driver.press("Down", "Esc")
    assert not driver.view.done, "anything else in between begins anew"
    driver.press("Esc")
    assert driver.view.done


def test_esc_twice_with_changes_asks(driver: Driver) -> None:
    driver.enter("TIMING.DEAD_TIME = 2 us").press("Esc", "Esc")
    assert not driver.view.done
    assert driver.view.question is not None
    assert "not saved" in driver.view.question.text


def test_what_is_copied_stands_there_whatever_the_terminal_does(
    driver: Driver, pump: Path, state: Path
) -> None:
    """No terminal confirms that it took a text into its clipboard: nothing says that it did."""
    driver.enter("copy frame")
    assert re.search(
        r"frame: 0x[0-9A-F]{4}, handed to the terminal's clipboard, where it has one", driver.said
    )
    _, out = lines(str(pump), state, "copy frame\n")
    assert re.search(r"^frame: 0x[0-9A-F]{4}$", out, re.MULTILINE)
    assert "clipboard" not in out


def test_captures_are_offered_by_name(
    driver: Driver, pump: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(pump.parent)
    (pump.parent / "bench run.vcd").touch()
    driver.type("compare be")
    assert [o.label for o in driver.view.offers] == ["bench run.vcd"]
    assert driver.view.offers[0].action == "compare 'bench run.vcd'"


def test_two_composers_on_one_file_lose_nothing_of_each_other(
    new_driver: type[Driver], pump: Path, state: Path
) -> None:
    first, second = new_driver(str(pump), state), new_driver(str(pump), state)
    first.enter("TIMING.DEAD_TIME = 2 us").press("^S")
    second.enter("set pwm.frequency 30 kHz").press("^S")
    assert second.view.question is not None
    assert "changed on disk" in second.view.question.text
    second.press("m")
    stage = load_stage(pump)
    assert {s.name: s.asked for s in stage.settings}["TIMING.DEAD_TIME"] == "2 us"
    assert stage.params["pwm.frequency"].value.typ == 30_000  # type: ignore[union-attr]
