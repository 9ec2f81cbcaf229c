"""The line face: the same words from a pipe, exit statuses, and a question in the middle."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from regmap.cli.compose import open_session
from regmap.cli.composer.lines import wants_lines
from regmap.cli.composer.vocabulary import FOLLOWS, WORDS
from regmap.cli.context import Context
from regmap.cli.main import main
from regmap.maps.load import bundled
from regmap.stages.load import load_stage


def run(document: str, state: Path, text: str, *more: str) -> tuple[int, str, str]:
    out, err = io.StringIO(), io.StringIO()
    context = Context(
        stdin=io.StringIO(text), stdout=out, stderr=err, environ={"GATEWORD_STATE": str(state)}
    )
    return main(["compose", document, *more], context), out.getvalue(), err.getvalue()


def test_a_session_from_a_pipe(pump: Path, state: Path) -> None:
    status, out, err = run(
        str(pump),
        state,
        """# a comment, and a blank line

dead
2 us
GATE_HS.SOURCE = 56mA
+1
undo 2
redo
changes
save
leave
""",
    )
    assert (status, err) == (0, "")
    assert "TIMING.DEAD_TIME is now 2 us (was 1 us)" in out
    assert "saved 2 settings" in out
    stage = load_stage(pump)
    assert [
        s.asked for s in stage.settings if s.name in ("GATE_HS.SOURCE", "TIMING.DEAD_TIME")
    ] == ["56 mA", "2 us"]
    assert "\x1b" not in out
    tail = out[out.index("the same without the composer:") :].splitlines()
    assert tail[1].startswith("  gateword encode quoll16 ")


def test_the_equivalent_commands_say_the_same(
    pump: Path, state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What `encode` answers to the printed command is the frame that the composer showed."""
    import shlex

    monkeypatch.chdir(pump.parent)
    _, out, _ = run(
        "pump.yaml", state, "GATE_HS.SOURCE = 150 mA\nGATE_HS.HOLD = max\ncopy frame\nleave drop\n"
    )
    frame = out[out.index("frame: 0x") + 7 :].split()[0]
    commands = [
        line.strip()
        for line in out[out.index("the same without") :].splitlines()[1:]
        if line.startswith("  gateword")
    ]
    for command in commands:
        answered = io.StringIO()
        assert main(
            shlex.split(command)[1:], Context(stdout=answered, stderr=answered, environ={})
        ) in (0, 1)
        if " encode " in command:
            assert frame in answered.getvalue()


def test_a_register_that_no_sequence_writes_has_its_frame_and_is_told(state: Path) -> None:
    """bilby32 TRIM: `configure` never writes it, so `encode` alone says what its frame is."""
    answered = io.StringIO()
    context = Context(stdout=answered, stderr=io.StringIO(), environ={})
    assert main(["encode", "bilby32", "TRIM.SHUNT=1 %"], context) == 0
    frame = answered.getvalue().split()[0]
    status, out, _ = run("bilby32", state, "TRIM.SHUNT = 1 %\ncopy frame\nleave drop\n")
    assert status == 0
    assert f"frame: {frame}. Caution: TRIM is wanted at other than its reset word" in out


def test_refusals_are_told_and_counted(pump: Path, state: Path) -> None:
    for line, said in (
        ("GATE_HS.SORCE = 56 mA", "nearest: GATE_HS.SOURCE"),
        ("GATE_HS.SOURCE = 9 A", "nearest: 680 mA"),
        ("leavv", "did you mean the word `leave`?"),
    ):
        status, out, _ = run(str(pump), state, f"{line}\n")
        assert status == 1
        assert said in out


def test_a_pipe_stops_at_a_refused_line_and_saves_nothing(pump: Path, state: Path) -> None:
    before = pump.read_bytes()
    status, _, err = run(str(pump), state, "GATE_HS.SOURCE = 56mA\nGATE_HS.SINK = 9 A\nsave\n")
    assert status == 1
    assert pump.read_bytes() == before
    assert "stopped at a line that was refused" in " ".join(err.split())
    assert "the draft is kept" in " ".join(err.split())


def test_input_that_ends_keeps_the_draft_and_resume_takes_it_up(pump: Path, state: Path) -> None:
    status, _, err = run(str(pump), state, "GATE_HS.SOURCE = 150 mA\n")
    assert status == 0
    assert "kept and offered next time" in err
    _, out, _ = run(str(pump), state, "r\nsave\n")
    assert "A draft of this was left behind with 1 step" in out
    assert "took up the draft" in out
    assert "SOURCE: 150 mA" in pump.read_text()
    run(str(pump), state, "GATE_HS.SOURCE = 56 mA\n")
    _, _, err = run(str(pump), state, "save\n", "--resume")
    assert "took up the draft" in err
    assert "SOURCE: 56 mA" in pump.read_text()


def test_questions_are_answered_by_key_or_by_words(pump: Path, state: Path) -> None:
    _, out, _ = run(str(pump), state, "GATE_HS.SOURCE = 150 mA\nleave\nn\nleave\nd\n")
    assert out.count("1 change is not saved.") == 2
    assert "1 change was not saved" in out
    assert "SOURCE: 150 mA" not in pump.read_text()


def test_a_file_that_is_none_is_status_2(state: Path) -> None:
    status, _, err = run("no_such.yaml", state, "")
    assert status == 2
    assert "no such file" in err


def test_no_terminal_or_a_dumb_one_means_lines() -> None:
    class Tty(io.StringIO):
        def isatty(self) -> bool:
            return True

    def wanted(term: str, stdin: io.StringIO, stdout: io.StringIO) -> bool:
        return wants_lines(Context(stdin=stdin, stdout=stdout, environ={"TERM": term}))

    assert not wanted("xterm", Tty(), Tty())
    assert wanted("dumb", Tty(), Tty())
    assert wanted("xterm", io.StringIO(), Tty())
    assert wanted("xterm", Tty(), io.StringIO())


def test_every_word_is_understood_explained_and_never_a_traceback(pump: Path, state: Path) -> None:
    """Each word of the vocabulary alone, with nonsense, and with each thing that may follow."""
    context = Context(
        stdin=io.StringIO(),
        stdout=io.StringIO(),
        stderr=io.StringIO(),
        environ={"GATEWORD_STATE": str(state)},
    )
    for word in WORDS:
        session, _, _ = open_session(str(pump), context)
        for rest in (
            ("",)
            if word == "propose"
            else (
                "",
                " nonsense",
                " 0x",
                " =",
                " GATE_HS.SOURCE",
                " reply",
                *(f" {n}" for n, _ in FOLLOWS.get(word, ())),
            )
        ):
            assert session.meaning.mean(word + rest).kind in (
                "word",
                "refused",
                "set",
                "find",
                "go",
            )
            session.meaning.offers(word + rest)
            outcome = session.do(word + rest)
            assert outcome.message or outcome.sheet or outcome.question or outcome.leave, (
                word + rest
            )
        help_text = session.do(f"help {word}").sheet
        assert help_text is not None
        assert WORDS[word].usage in help_text.rows[0].text
        session.keeper.journal.discard()


@pytest.mark.parametrize(
    ("line", "kind"),
    [
        ("", "nothing"),
        ("dead", "find"),
        ("TIMING", "go"),
        ("timing.dead_time", "go"),
        ("VDS_UH", "go"),
        ("56mA", "set"),
        ("GATE_LS.SINK=62mA", "set"),
        ("GATE_LS.SINK 62 mA", "set"),
        ("= max", "set"),
        ("+1", "set"),
        ("max", "set"),
        ("0x5", "set"),
        ("0b101", "set"),
        ("0x25D1", "paste"),
        ("GATE_HS=0x155", "paste"),
        ("STATUS1=0x109", "explain"),
        ("STATUS1 = 0xFFFF", "refused"),
        ("9 A", "refused"),
        ("zzz", "refused"),
        ("sweep", "word"),
        ("sw", "word"),
        ("sweep dead", "word"),
        ("sweep STATUS1.OT", "word"),
        ("accept", "refused"),
        ("?", "word"),
        ("mA", "find"),
    ],
)
def test_what_a_line_means(pump: Path, state: Path, line: str, kind: str) -> None:
    context = Context(
        stdin=io.StringIO(),
        stdout=io.StringIO(),
        stderr=io.StringIO(),
        environ={"GATEWORD_STATE": str(state)},
    )
    session, _, _ = open_session(str(pump), context)
    session.at = "GATE_HS.SOURCE"
    before = session.draft.statements
    assert session.meaning.mean(line).kind == kind
    assert session.draft.statements == before


def test_offers_carry_descriptions_and_physical_values(pump: Path, state: Path) -> None:
    context = Context(
        stdin=io.StringIO(),
        stdout=io.StringIO(),
        stderr=io.StringIO(),
        environ={"GATEWORD_STATE": str(state)},
    )
    session, _, _ = open_session(str(pump), context)
    by_label = {o.label: o for o in session.meaning.offers("GATE_HS.SOURCE = ")}
    assert by_label["56 mA"].meaning == "44.8 mA..67.2 mA"
    assert {o.label for o in session.meaning.offers("compare ")} >= {"reset", "saved"}
    named: Any = session.meaning.offers("dead")[0]
    assert (named.label, named.meaning) == ("TIMING.DEAD_TIME", "dead time the chip inserts")


@pytest.mark.parametrize("name", sorted(bundled("devices")))
@pytest.mark.one_in(12)
def test_every_item_of_every_shipped_chip_is_shown_considered_and_set(
    new_driver: Any, state: Path, name: str
) -> None:
    """Each line of the list drawn; for each setting its last option (of maps also the first and one between) considered, then accepted."""
    driver = new_driver(name, state, 120, 40)
    draft = driver.session.draft
    for line in driver.view.lines():
        driver.session.at = line.name
        assert line.name in driver.text
        if not driver.session.meaning.settable(line.name):
            continue
        codes = [r.code for r in draft.options(line.name)]
        few = (
            (codes[0], codes[len(codes) // 2], codes[-1])
            if not draft.stage.params
            else (codes[-1],)
        )
        for code in dict.fromkeys(few):
            seen = draft.consider(line.name, code)
            driver.session.do(f"set {line.name} 0x{code:X}")
            assert draft.bank.code(line.name) == code
            assert draft.bank.words == seen.bank.words
    for word in (
        "sequence",
        "verdicts all",
        "changes",
        "compare reset",
        "explain",
        "copy sequence",
    ):
        outcome = driver.session.do(word)
        assert outcome.sheet is not None or "cannot" in outcome.message or outcome.mark == "bad", (
            word
        )
    driver.session.keeper.journal.discard()


@given(
    line=st.one_of(
        st.text(max_size=40),
        st.lists(
            st.sampled_from(
                [
                    *WORDS,
                    "GATE_HS",
                    ".",
                    "SOURCE",
                    "=",
                    " ",
                    "0x",
                    "5",
                    "mA",
                    "+",
                    "-",
                    "1e9",
                    "reply",
                    "STATUS1",
                    "to",
                    "?",
                ]
            ),
            max_size=6,
        ).map("".join),
    )
)
@settings(
    max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
def test_no_line_raises_while_it_is_typed(new_driver: Any, state: Path, line: str) -> None:
    if not new_driver.every:
        new_driver("coolant_pump", state)
    session = new_driver.every[0].session
    before = session.draft.statements
    meant = session.meaning.mean(line)
    assert meant.text or meant.kind == "nothing"
    session.meaning.offers(line)
    assert session.draft.statements == before


@pytest.mark.parametrize("word", ["quit", "exit", "leave"])
def test_what_people_type_to_get_out_leaves(pump: Path, state: Path, word: str) -> None:
    status, out, _ = run(str(pump), state, f"{word}\nGATE_HS.SOURCE = 56mA\n")
    assert status == 0
    assert "is now" not in out
    _, out, _ = run(str(pump), state, f"GATE_HS.SOURCE = 56mA\n{word}\nd\n")
    assert "not saved" in out
