"""The full-screen view through its own key bindings, and once whole through a pipe."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest
from prompt_toolkit.application import create_app_session
from prompt_toolkit.data_structures import Point, Size
from prompt_toolkit.input import create_pipe_input
from prompt_toolkit.mouse_events import MouseButton, MouseEvent, MouseEventType
from prompt_toolkit.output import DummyOutput
from prompt_toolkit.output.vt100 import Vt100_Output

from regmap.cli.compose import open_session
from regmap.cli.composer import paint
from regmap.cli.composer.screen import Screen
from regmap.cli.composer.view import View
from regmap.cli.context import Context
from regmap.stages.load import load_stage


def make(driver: Any, document: str, state: Path, width: int = 80, height: int = 24) -> Any:
    return type(driver)(document, state, width, height)


def test_verdicts_and_frame_follow_the_cursor_before_anything_is_accepted(driver: Any) -> None:
    driver.enter("TIMING.DEAD_TIME")
    now = driver.session.draft.reading("TIMING.DEAD_TIME").label
    driver.press("Right")
    assert "the option in force" in driver.text
    driver.press("Up", "Up")
    assert "verdicts that change" in driver.text
    assert "holds -> FAILS" in driver.text
    frame = next(line for line in driver.lines if "frame  0x" in line)
    assert "->" in frame
    assert not driver.session.draft.dirty
    driver.press("Esc")
    assert driver.session.draft.reading("TIMING.DEAD_TIME").label == now
    driver.press("Right", "Up", "Enter")
    assert driver.session.draft.dirty
    assert "1 not saved" in driver.lines[0]
    assert f"(was {now})" in driver.text


def test_typing_a_value_shows_what_it_would_do_and_why_it_cannot(driver: Any) -> None:
    driver.enter("GATE_HS.SOURCE").type("56m")
    assert "no: '56m' is a length; SOURCE is a current" in driver.text
    assert driver.said.endswith("nearest: 56mA")
    driver.type("A")
    assert "enter sets GATE_HS.SOURCE to 56 mA, code 4" in driver.text
    assert "verdicts that change" in driver.text
    driver.press("Esc").type("112 mA")
    assert "to 120 mA, code 8 (asked 112 mA, off by +7.14 %)" in driver.text
    driver.press("Esc").type("9 A").press("Enter")
    assert driver.said.endswith("nearest: 680 mA")
    assert driver.screen.buffer.text == "9 A", "what was refused stays to be corrected"
    assert not driver.session.draft.dirty


def test_typing_finds_and_down_chooses_with_meanings_and_values(driver: Any) -> None:
    driver.type("blank")
    assert "TIMING.BLANKING VDS blankin" in driver.text
    driver.press("Enter").type("3")
    assert "3.3 us" in driver.text
    assert "2.97 us..3.63 us" in driver.text, "offers carry the physical range"
    driver.press("Down")
    assert "enter sets TIMING.BLANKING to 3.3 us" in driver.text
    driver.press("Enter")
    assert driver.session.draft.statements["TIMING.BLANKING"] == "3.3 us"


def test_tab_completes(driver: Any) -> None:
    driver.type("sw").press("Tab")
    assert driver.screen.buffer.text == "sweep "
    driver.type("dead").press("Tab")
    assert driver.screen.buffer.text == "sweep TIMING.DEAD_TIME"
    driver.press("Enter")
    assert "sweep of TIMING.DEAD_TIME" in driver.text


def test_undo_and_redo_by_key(driver: Any) -> None:
    before = driver.session.draft.statements
    driver.enter("GATE_HS.SOURCE = 56mA").enter("GATE_HS.SINK = max").press("^Z", "^Z")
    assert driver.session.draft.statements == before
    driver.press("^Z")
    assert "nothing to undo" in driver.text
    driver.press("^Y", "^Y")
    assert driver.session.draft.statements["GATE_HS.SINK"] == "max"


def test_sweep_from_inside_takes_the_line_chosen(driver: Any) -> None:
    driver.enter("sweep VDS.THRESHOLD")
    assert "now" in driver.lines[driver.view.row + 2]
    driver.press("Down", "Enter")
    assert driver.view.place == "list"
    assert driver.session.draft.dirty


def test_propose_from_inside_is_one_step(driver: Any) -> None:
    driver.enter("propose")
    assert "proposal: settings that meet every goal" in driver.text
    if "`accept` puts" in driver.text:
        driver.press("Enter")
        assert driver.session.draft.depth == (1, 0)
        driver.press("^Z")
    assert not driver.session.draft.dirty


def test_a_pasted_frame_is_taken_apart_and_over(driver: Any) -> None:
    driver.enter("0x25D1")
    assert "write GATE_HS = 0x2E8" in driver.text
    assert not driver.session.draft.dirty
    driver.press("Enter")
    assert driver.session.draft.bank.words["GATE_HS"] == 0x2E8
    driver.enter("paste 0x25D0")
    assert "REJECTED: parity" in driver.text


def test_fault_words_are_explained_where_one_stands(driver: Any) -> None:
    driver.enter("STATUS1").type("0x109")
    assert "enter explains what STATUS1 = 0x109 says" in driver.text
    driver.press("Enter")
    assert "STOP UV_SUPPLY" in driver.text
    assert driver.text.index("STOP UV_SUPPLY") < driver.text.index("follows: STOP VDS_UH")
    driver.press("Esc").enter("explain 0x3FF STATUS2=0x3FF")
    assert "stuck high" in driver.text


def test_comparisons_and_changes(driver: Any) -> None:
    driver.enter("compare saved")
    assert "No setting differs" in driver.text
    driver.press("Esc").enter("VDS.THRESHOLD = max").enter("changes")
    assert "VDS.THRESHOLD  250 mV  ->  1.3 V" in driver.text
    driver.press("Esc").enter("compare VDS=0x030")
    assert "VDS.THRESHOLD" in driver.text
    driver.enter("accept")
    assert driver.session.draft.bank.words["VDS"] == 0x030


def test_copies_go_to_the_terminals_clipboard(pump: Path, state: Path) -> None:
    """OSC 52 (xterm control sequences): clipboard text in base64 between ESC ] 52 ; c ; and BEL."""
    written: list[str] = []

    class Output(DummyOutput):
        def write_raw(self, data: str) -> None:
            written.append(data)

    with create_pipe_input() as pipe, create_app_session(input=pipe, output=Output()):
        context = Context(
            stdin=io.StringIO(),
            stdout=io.StringIO(),
            stderr=io.StringIO(),
            environ={"GATEWORD_STATE": str(state)},
        )
        session, _, _ = open_session(str(pump), context)
        pipe.send_text("GATE_HS.SOURCE\rcopy word\r\x11")
        Screen(View(session)).run()
    assert "\x1b]52;c;MHgyOTg=\x07" in written  # 0x298


def test_save_leaves_all_else_in_the_file(driver: Any, pump: Path) -> None:
    before = pump.read_text().splitlines()
    driver.enter("GATE_HS.SOURCE = 150 mA").press("^S")
    assert "saved 1 setting to" in driver.text
    after = pump.read_text().splitlines()
    changed = [(a, b) for a, b in zip(before, after, strict=True) if a != b]
    assert [b.strip() for _, b in changed] == ["SOURCE: 150 mA"]
    assert load_stage(pump).bank.words == driver.session.draft.bank.words
    assert "| saved" in driver.lines[0]
    driver.press("^S")
    assert "nothing to save" in driver.text


def test_a_file_changed_on_disk_is_asked_about(driver: Any, pump: Path) -> None:
    theirs = pump.read_text() + "# theirs\n"
    pump.write_text(theirs)
    driver.enter("GATE_HS.SOURCE = 150 mA").press("^S")
    assert "changed on disk since it was opened" in driver.said
    driver.press("x", "n")
    assert pump.read_text() == theirs
    driver.press("^S", "m")
    assert pump.read_text().endswith("# theirs\n")
    assert "SOURCE: 150 mA" in pump.read_text()


def test_what_both_sides_changed_is_named_and_what_only_they_did_is_kept(
    driver: Any, pump: Path
) -> None:
    pump.write_text(
        pump.read_text()
        .replace("SOURCE: 120 mA", "SOURCE: 82 mA", 1)
        .replace("RETRY: 6 ms", "RETRY: 12 ms")
    )
    driver.enter("GATE_HS.SOURCE = 150 mA").press("^S")
    assert "changed on both sides: GATE_HS.SOURCE (82 mA there)" in driver.said
    driver.press("m")
    stated = {s.name: s.asked for s in load_stage(pump).settings}
    assert (stated["GATE_HS.SOURCE"], stated["MODE.RETRY"]) == ("150 mA", "12 ms")
    assert driver.session.draft.statements == stated
    assert "| saved" in driver.lines[0]
    driver.press("^Z", "^Z")
    assert driver.session.draft.statements["MODE.RETRY"] == "6 ms"
    assert driver.session.draft.dirty


def test_leaving_asks_and_what_is_kept_is_offered_next_time(
    driver: Any, pump: Path, state: Path
) -> None:
    driver.enter("GATE_HS.SOURCE = 150 mA").press("^Q")
    assert "1 change is not saved" in driver.text
    assert not driver.view.done
    driver.press("Esc", "^Q", "k")
    assert driver.view.done
    again = make(driver, str(pump), state)
    assert "A draft of this was left behind with 1 step not saved" in again.text
    again.press("r")
    assert "took up the draft: 1 change not saved" in again.text
    assert again.session.draft.statements["GATE_HS.SOURCE"] == "150 mA"
    again.press("^Q", "s")
    assert again.view.done
    assert "SOURCE: 150 mA" in pump.read_text()
    assert list(state.iterdir()) == []


def test_a_draft_left_behind_can_be_left_or_forgotten(driver: Any, pump: Path, state: Path) -> None:
    driver.enter("GATE_HS.SOURCE = 150 mA").press("^Q", "k")
    later = make(driver, str(pump), state).press("n")
    assert not later.session.draft.dirty
    forgetting = make(driver, str(pump), state).press("f")
    assert not forgetting.session.draft.dirty
    assert make(driver, str(pump), state).view.question is None


def test_a_shipped_stage_and_a_map_are_saved_under_a_name_of_ones_own(
    driver: Any, state: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    mine = make(driver, "coolant_pump", state)
    mine.enter("GATE_HS.SOURCE = 150 mA").press("^S")
    assert "`save FILE` writes one of your own" in mine.text
    mine.enter("save mine.yaml")
    assert load_stage("mine.yaml").bank.words == mine.session.draft.bank.words
    fresh = make(driver, "numbat24", state)
    name = fresh.session.draft.names()[0]
    fresh.enter(f"set {name} +1").enter("save first.yaml")
    assert load_stage("first.yaml").chip.name == "numbat24"
    fresh.enter("save mine.yaml")
    assert "nothing is written over it" in fresh.said


def test_a_broken_rule_is_told_and_not_saved(driver: Any, pump: Path) -> None:
    before = pump.read_text()
    driver.enter("SENSE.CAL = on")
    assert "BROKEN" in driver.text
    driver.press("^S")
    assert "not saved: rule" in driver.text
    assert pump.read_text() == before


def test_help_tells_where_one_is(driver: Any) -> None:
    driver.press("?")
    assert "You are in the list of registers and fields" in driver.text
    driver.press("Esc", "Right", "?")
    assert "You are trying the options of a field" in driver.text
    driver.press("Esc").enter("help sweep")
    assert "sweep [NAME]" in driver.text


def test_mouse_chooses_tries_and_takes(driver: Any) -> None:
    def click(fragment: str) -> None:
        y, x = next(
            (y, line.index(fragment)) for y, line in enumerate(driver.lines) if fragment in line
        )
        event = MouseEvent(Point(x, y), MouseEventType.MOUSE_UP, MouseButton.LEFT, frozenset())
        next(
            c for c in driver.screen.app.layout.find_all_controls() if getattr(c, "_mouse", False)
        ).mouse_handler(event)

    click("VDS_ACT")
    assert driver.session.at == "MODE.VDS_ACT"
    click("retry   ")
    assert driver.view.place == "options"
    assert not driver.session.draft.dirty
    click("retry   ")
    assert driver.session.draft.statements["MODE.VDS_ACT"] == "retry"


@pytest.mark.parametrize(
    ("width", "height"),
    [(1, 3), (20, 8), (39, 30), (40, 12), (63, 16), (64, 12), (80, 24), (200, 70)],
)
def test_every_size_is_filled_exactly(driver: Any, width: int, height: int) -> None:
    driver.width, driver.height = width, height
    for keys in (["d"], ["e", "a"], ["Esc", "Right"], ["Down"], ["Esc"], ["?"], ["Esc", "^Q"]):
        driver.press(*keys)
        assert len(driver.lines) == max(height, 3)


def test_signs_tell_all_without_colour(driver: Any) -> None:
    """Each styled fragment of failing, thin, changed or chosen lines carries a word or sign of its own."""
    driver.enter("TIMING.DEAD_TIME").press("Right", "Up", "Up")
    for line in paint.compose(driver.view, 80, 22):
        for style, text in line:
            if "class:bad" in style:
                assert "FAILS" in text or "no:" in text or "BROKEN" in text
            if "cursor" in style:
                assert text.startswith(">")


def test_without_colour_no_colour_is_sent(pump: Path, state: Path) -> None:
    for color in (True, False):
        out = io.StringIO()
        with create_pipe_input() as pipe:
            output = Vt100_Output(out, lambda: Size(24, 80), term="xterm-256color")
            with create_app_session(input=pipe, output=output):
                context = Context(
                    stdin=io.StringIO(),
                    stdout=io.StringIO(),
                    stderr=io.StringIO(),
                    environ={"GATEWORD_STATE": str(state)},
                )
                session, _, _ = open_session(str(pump), context)
                pipe.send_text("\x11")
                view = View(session)
                view.message, view.mark = "no: something cannot be", "bad"
                Screen(view, color=color).run()
        colours = [
            c
            for c in ("\x1b[0;31", "\x1b[0;32", "\x1b[0;33", "38;5", ";31m", ";32m", ";33m")
            if c in out.getvalue()
        ]
        assert bool(colours) == color, colours


def test_the_whole_flow_through_a_pipe(pump: Path, state: Path) -> None:
    """find, set, try, undo, sweep, paste, take, compare, explain, save, leave: as bytes into a running application."""
    with create_pipe_input() as pipe, create_app_session(input=pipe, output=DummyOutput()):
        context = Context(
            stdin=io.StringIO(),
            stdout=io.StringIO(),
            stderr=io.StringIO(),
            environ={"GATEWORD_STATE": str(state)},
        )
        session, question, _ = open_session(str(pump), context)
        assert question is None
        pipe.send_text(
            "dead\r"
            "2us\r"
            "\x1a"
            "GATE_HS.SOURCE\r"
            "150mA\r"
            "sweep\r"
            "\x1b[A\x1b[B\r"
            "0x25D1\r\r"
            "compare reset\r"
            "STATUS1=0x109\r"
            "copy sequence\r"
            "\x13"
            "\x11"
        )
        view = View(session)
        Screen(view).run()
    assert view.done
    stage = load_stage(pump)
    assert stage.bank.words["GATE_HS"] == 0x2E8
    assert stage.bank.words["TIMING"] == load_stage("coolant_pump").bank.words["TIMING"]
    farewell = session.farewell()
    assert any(
        line.startswith("gateword encode quoll16 ") and "--from GATE_HS=0x298" in line
        for line in farewell
    )
    assert f"gateword explain {pump} STATUS1=0x109" in farewell
    assert "gateword decode quoll16 0x25D1" in farewell
