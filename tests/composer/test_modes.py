"""Modes in the composer: chosen at the top, side by side, each saved under its own name; also through a pipe."""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import Any

import pytest
import yaml

from regmap.cli.compose import open_session
from regmap.cli.composer.lines import Lines
from regmap.cli.context import Context
from regmap.stages.load import load_stage

GOLDEN = Path(__file__).parents[1] / "golden" / "compose"
MODES = """
modes:
  limp:
    title: late but not burnt           # kept as it is
    after: [OT_WARN, OV_SUPPLY, SPI_ERR, controller]
    settings: {SENSE.OC_TH: 18 mV}
    motor.current: {rms: 10 A, peak: 20 A}
  rest: {driving: no, after: [controller]}
"""


@pytest.fixture
def drive(pump: Path) -> Path:
    pump.write_text(pump.read_text().partition("\nmodes:")[0] + MODES)
    return pump


def piped(document: Path, state: Path, text: str) -> tuple[int, str]:
    """The lines as a pipe gives them, and what came out."""
    out = io.StringIO()
    context = Context(
        stdin=io.StringIO(text), stdout=out, stderr=out, environ={"GATEWORD_STATE": str(state)}
    )
    session, question, _ = open_session(str(document), context)
    status = Lines(session, context).run(question)
    session.keeper.journal.keep()
    return status, out.getvalue()


def plain(path: Path) -> dict[str, Any]:
    return yaml.safe_load(path.read_text())


def test_a_pipe_edits_modes_and_saves_each_under_its_name(drive: Path, state: Path) -> None:
    before = plain(drive)
    status, told = piped(
        drive,
        state,
        "TIMING.DEAD_TIME = 2 us\nin limp\nSENSE.OC_TH = 27 mV\nset motor.current.rms 8 A\n"
        "in rest set SENSE.GAIN x18\nchanges\nin as_stated\nsave\nleave\n",
    )
    assert status == 0, told
    assert "1 setting of mode rest" in told
    after = plain(drive)
    before["settings"]["TIMING"]["DEAD_TIME"] = "2 us"
    before["modes"]["limp"]["motor.current"]["rms"] = "8 A"
    # what is now the same as in the stage is no longer stated by the mode
    before["modes"]["limp"]["settings"] = {}
    before["modes"]["rest"]["settings"] = {"SENSE": {"GAIN": "x18"}}
    rest = after["modes"]["rest"]["settings"]
    after["modes"]["rest"]["settings"] = {
        "SENSE": {"GAIN": rest.get("SENSE.GAIN", rest.get("SENSE", {}))}
    }
    assert after == before
    assert "# kept as it is" in drive.read_text()
    stage = load_stage(drive)
    # the stage's own value goes into every mode that does not state it
    assert {
        str(s.bank.reading("TIMING.DEAD_TIME").label) for s in (stage, *stage.modes.values())
    } == {"2 us"}


def test_a_mode_that_cannot_be_written_leaves_the_whole_file(drive: Path, state: Path) -> None:
    text = drive.read_text().replace("  rest: {driv", "  rest: &r {driv") + "  park: *r\n"
    drive.write_text(text)
    status, told = piped(
        drive, state, "TIMING.DEAD_TIME = 2 us\nin park set SENSE.GAIN x18\nsave\nleave drop\n"
    )
    assert status != 0
    assert "alias" in told
    assert drive.read_text() == text


def test_a_change_of_the_stage_reaches_the_modes_that_do_not_state_it(
    drive: Path, state: Path
) -> None:
    _, told = piped(
        drive, state,
        "SENSE.OC_TH = 47 mV\nin limp options SENSE.OC_TH\nin rest\nmodes\nundo\nin as_stated\nundo\nin rest modes\nleave drop\n",
    )  # fmt: skip
    row = [line.split() for line in told.splitlines() if line.startswith("SENSE.OC_TH  ")]
    assert row == [["SENSE.OC_TH", *t.split()] for t in ("47 mV 18 mV 47 mV", "27 mV 18 mV 27 mV")]


def test_reset_in_a_mode_goes_back_to_the_stage(drive: Path, state: Path) -> None:
    status, told = piped(drive, state, "in limp\nreset SENSE.OC_TH\nsave\nleave\n")
    assert status == 0, told
    assert plain(drive)["modes"]["limp"]["settings"] == {}
    assert "27 mV" in told


def test_unknown_modes_are_told_with_the_nearest(drive: Path, state: Path) -> None:
    status, told = piped(drive, state, "in lymp\n")
    assert status != 0
    assert "nearest: limp" in told


def test_a_draft_left_behind_has_its_modes(drive: Path, state: Path) -> None:
    piped(drive, state, "in limp set SENSE.OC_TH 47 mV\nSENSE.GAIN = x18\nleave keep\n")
    _, told = piped(drive, state, "n\nleave drop\n")
    assert "2 steps not saved" in told
    out = io.StringIO()
    context = Context(
        stdin=io.StringIO(), stdout=out, stderr=out, environ={"GATEWORD_STATE": str(state)}
    )
    session, _, _ = open_session(str(drive), context, resume=True)
    assert session.drafts.of("limp").statements["SENSE.OC_TH"] == "47 mV"
    assert session.drafts.of("").statements["SENSE.GAIN"] == "x18"
    session.do("leave drop")


def test_the_screen_tells_the_mode_and_marks_what_differs(
    drive: Path, new_driver: Any, state: Path
) -> None:
    driver = new_driver(str(drive), state)
    assert "as stated" in driver.lines[0]
    driver.press("F2")
    assert "mode limp" in driver.lines[0]
    driver.enter("go SENSE.OC_TH")
    here = next(line for line in driver.lines if line.startswith(">"))
    assert here.startswith(">~")
    assert "as_stated 27 mV" in " ".join(driver.text.split())
    driver.enter("modes")
    golden = GOLDEN / "80x24-modes.txt"
    text = "\n".join(line.rstrip() for line in driver.lines) + "\n"
    if os.environ.get("GATEWORD_UPDATE_GOLDEN") == "1":
        golden.write_text(text)
    assert text == golden.read_text()
    # a line of one mode begins a change there, whatever is edited
    rows = driver.view.sheet.rows
    driver.view.row = next(
        i for i, r in enumerate(rows) if r.text.strip().startswith("SENSE.OC_TH in rest")
    )
    driver.press("Enter").type("47 mV").press("Enter")
    assert driver.session.drafts.of("rest").statements["SENSE.OC_TH"] == "47 mV"
    assert driver.session.drafts.mode == "limp"


def test_a_stage_without_modes_is_as_before(pump: Path, state: Path) -> None:
    pump.write_text(pump.read_text().partition("\nmodes:")[0])
    status, told = piped(pump, state, "help\nmodes\n")
    assert status != 0
    assert "in MODE" not in told.partition("no: ")[0]
    assert "states no modes" in told
