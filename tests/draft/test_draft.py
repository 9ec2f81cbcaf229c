"""The draft: considering changes nothing, every step can be undone, what is saved is what was seen."""

from __future__ import annotations

import html
import os
import signal
import subprocess
import sys
import textwrap
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regmap.assessment.stage import assess
from regmap.chip.bank import Bank
from regmap.draft import (
    Draft,
    Index,
    Journal,
    compare_with,
    explain_words,
    leftovers,
    parse_raw,
    sequence_lines,
    take_apart,
    write_of,
)
from regmap.errors import CallError
from regmap.frames.codec import Codec
from regmap.maps.load import find_document, load_map
from regmap.stages.load import Stage, load_stage, read_stage
from regmap.stages.save import edit_stage

PUMP = load_stage("coolant_pump")


def draft(stage: Stage = PUMP) -> Draft:
    return Draft(stage)


def bare(name: str) -> Draft:
    chip = load_map(name)
    return Draft(Stage(name="t", title="", chip=chip, settings=(), params={}, map_name=name))


# --- values as people write them -------------------------------------------------------------------
@pytest.mark.parametrize(
    ("text", "code"),
    [
        ("56mA", 4),
        ("56 mA", 4),
        ("0.056 A", 4),
        ("0x0F", 15),
        ("0b101", 5),
        ("3", 3),
        ("max", 15),
        ("min", 0),
        (">= 50 mA", 4),
        ("+1", 9),
        ("-2", 6),
        ("+ 3", 11),
        ("112 mA", 8),
    ],
)
def test_values_as_people_write_them(text: str, code: int) -> None:
    """GATE_HS.SOURCE of the example is at code 8 (120 mA) of a table of 16 currents."""
    mine = draft()
    mine.set("GATE_HS.SOURCE", "120 mA")
    assert mine.consider("GATE_HS.SOURCE", text).choice.code == code


@pytest.mark.parametrize(
    ("text", "reason"),
    [
        ("9 A", "nearest: 680 mA"),
        ("60 V", "is a voltage; SOURCE is a current"),
        ("+99", "last option of GATE_HS.SOURCE, 680 mA"),
        ("-99", "first option"),
        ("16", "4 bits hold 0..15"),
        ("rubbish", "not a choice"),
        ("", "no value"),
    ],
)
def test_what_cannot_be_says_why_and_what_is_near(text: str, reason: str) -> None:
    mine = draft()
    before = mine.statements
    with pytest.raises(CallError, match=reason):
        mine.set("GATE_HS.SOURCE", text)
    assert mine.statements == before
    assert mine.depth == (0, 0)


def test_status_fields_and_unknown_names_are_refused() -> None:
    with pytest.raises(CallError, match="holds no setting"):
        draft().set("STATUS1.OT", "1")
    with pytest.raises(CallError, match=r"nearest: GATE_HS\.SOURCE"):
        draft().set("GATE_HS.SORCE", "1")


def test_considering_tells_all_and_changes_nothing() -> None:
    mine = draft()
    words = dict(mine.bank.words)
    seen = mine.consider("TIMING.DEAD_TIME", "150 ns")
    assert mine.bank.words == words
    assert not mine.dirty
    assert seen.bank.words != words
    # the effects are exactly the verdicts that two whole assessments tell apart
    old = {v.check: v for v in assess(PUMP, mine.bank).verdicts}
    new = {v.check: v for v in assess(PUMP, seen.bank).verdicts}
    moved = {n for n in old if (old[n].status, old[n].relative) != (new[n].status, new[n].relative)}
    assert {e.verdict.check for e in seen.effects if e.turns} == {
        n for n in old if old[n].status != new[n].status
    }
    assert {e.verdict.check for e in seen.effects} <= moved
    assert any(e.turns and e.after is not None and e.after.status == "fails" for e in seen.effects)


def test_a_joined_value_and_its_parts_are_never_both_stated() -> None:
    mine = bare("bilby32")
    name = "DEAD_TIME"
    parts = [f"{r}.{f}" for r, f in mine.chip.joined[name].fields]
    mine.set(name, "0xAB")
    assert mine.bank.code(name) == 0xAB
    low = parts[-1]
    mine.set(low, "0x5")
    assert name not in mine.statements
    assert set(parts) <= set(mine.statements)
    width = mine.chip.field(low).width  # type: ignore[union-attr]
    assert mine.bank.code(name) == 0xAB >> width << width | 5
    mine.set(name, "0x11")
    assert not set(parts) & set(mine.statements)
    assert mine.bank.code(name) == 0x11


def test_dropping_a_setting_goes_back_to_reset() -> None:
    mine = draft()
    mine.drop("VDS.THRESHOLD")
    item = mine.chip.field("VDS.THRESHOLD")
    assert item is not None
    assert mine.bank.code("VDS.THRESHOLD") == item.reset
    assert mine.unsaved() == {"VDS.THRESHOLD": None}


def test_whole_words_are_taken_over_field_by_field() -> None:
    mine = draft()
    mine.take_words({"GATE_HS": 0x155, "MODE": 0x3FF})
    assert (mine.bank.words["GATE_HS"], mine.bank.words["MODE"]) == (0x155, 0x3FF)
    assert mine.depth == (1, 0)
    with pytest.raises(CallError, match="10 bits"):
        mine.take_words({"GATE_HS": 0x1000})


# --- undo, save, compare: properties ---------------------------------------------------------------
NAMES = draft().names()
STEPS = st.lists(
    st.one_of(
        st.tuples(st.just("set"), st.sampled_from(NAMES), st.integers(0, 15)),
        st.tuples(st.just("drop"), st.sampled_from(NAMES), st.just(0)),
        st.tuples(st.just("undo"), st.just(""), st.integers(1, 3)),
        st.tuples(st.just("redo"), st.just(""), st.integers(1, 3)),
        st.tuples(
            st.just("word"),
            st.sampled_from(["MODE", "GATE_HS", "TIMING", "SENSE"]),
            st.integers(0, 0x3FF),
        ),
    ),
    max_size=25,
)


def play(mine: Draft, steps: list[tuple[str, str, int]]) -> list[dict[str, str]]:
    """Do the steps on the draft and on a plain model of a history; both must agree at every step."""
    history, at = [mine.statements], 0
    for what, name, number in steps:
        if what in ("undo", "redo"):
            at = max(0, at - number) if what == "undo" else min(len(history) - 1, at + number)
            getattr(mine, what)(number)
        else:
            try:
                if what == "set":
                    edit = mine.set(name, number)
                else:
                    edit = mine.drop(name) if what == "drop" else mine.take_words({name: number})
            except CallError:
                continue
            if edit.changed:
                history[at + 1 :] = [mine.statements]
                at += 1
        assert mine.statements == history[at]
        assert mine.depth == (at, len(history) - 1 - at)
    return history


@given(steps=STEPS)
@settings(max_examples=20, deadline=None)
def test_history_is_that_of_a_plain_model_and_saves_as_seen(
    steps: list[tuple[str, str, int]],
) -> None:
    mine = draft()
    play(mine, steps)
    assert mine.dirty == (mine.statements != {s.name: s.asked for s in PUMP.settings})
    text = edit_stage(
        find_document("coolant_pump").read_text(encoding="utf-8"), mine.unsaved(), mine.chip
    )
    stage, problems = read_stage("s.yaml", text=text)
    if any(r.severity == "error" for r in mine.broken_rules()):
        assert stage is None
        return
    assert stage is not None, problems
    assert stage.bank.words == mine.bank.words
    # undone to the start nothing differs; redone to the end all is as before
    mine.undo(10_000)
    assert not mine.dirty
    mine.redo(10_000)
    mine.saved_as(stage)
    assert not mine.dirty or mine.depth[1] == 0


def test_saving_makes_the_saved_state_the_one_compared_with() -> None:
    mine = draft()
    mine.set("GATE_HS.SOURCE", "56 mA")
    stage, _ = read_stage(
        "s.yaml",
        text=edit_stage(
            find_document("coolant_pump").read_text(encoding="utf-8"), mine.unsaved(), mine.chip
        ),
    )
    assert stage is not None
    mine.saved_as(stage)
    assert not mine.dirty
    mine.undo()
    assert [c.name for c in mine.changes()] == ["GATE_HS.SOURCE"]


# --- finding -----------------------------------------------------------------------------------------
@pytest.mark.parametrize(
    ("text", "first"),
    [
        ("dead", "TIMING.DEAD_TIME"),
        ("deadtime", "TIMING.DEAD_TIME"),
        ("DEAD_TIME", "TIMING.DEAD_TIME"),
        ("gate_hs.so", "GATE_HS.SOURCE"),
        ("dead time inserts", "TIMING.DEAD_TIME"),
        ("blank", "TIMING.BLANKING"),
        ("vds thresh", "VDS.THRESHOLD"),
        ("sense.gain", "SENSE.GAIN"),
    ],
)
def test_find_by_part_of_a_name_or_meaning(text: str, first: str) -> None:
    assert Index(PUMP.chip).find(text)[0].target == first


def test_find_by_unit_fault_and_value() -> None:
    index = Index(PUMP.chip)
    assert {h.name for h in index.find("mA")} >= {"GATE_HS.SOURCE", "GATE_LS.SINK", "GATE_HS.HOLD"}
    assert "TIMING.DEAD_TIME" not in {h.name for h in index.find("mA")}
    # a fault leads to its status bit and to the settings that decide when it trips
    assert {h.name for h in index.find("VDS_UH")} >= {
        "VDS_UH",
        "STATUS1.VDS_UH",
        "VDS.THRESHOLD",
        "TIMING.BLANKING",
    }
    assert index.find("250mV")[0].name == "VDS.THRESHOLD"
    assert index.find("no such thing at all") == []


# --- words, frames, comparisons --------------------------------------------------------------------
def test_words_taken_apart_and_taken_over() -> None:
    mine = draft()
    word = Codec(mine.chip).write(mine.chip.registers["GATE_HS"], 0x155).word
    apart = take_apart(mine, f"{word:04X}")
    assert apart.takeable == {"GATE_HS": 0x155}
    assert {c.field.name for c in apart.changes} <= {"SOURCE", "SINK", "HOLD"}
    bad = take_apart(mine, f"0x{word ^ 1:04X}")
    assert bad.flaws
    assert not bad.takeable
    with pytest.raises(CallError, match="at most 16"):
        take_apart(mine, "0x123456")
    answer = take_apart(
        mine,
        hex(
            Codec(mine.chip).build_reply(
                Codec(mine.chip).read(mine.chip.registers["GATE_HS"]), 0x155
            )
        ),
        reply_to="GATE_HS",
    )
    assert answer.data == 0x155


@pytest.mark.parametrize(
    ("text", "word"),
    [
        ("0x21DF", 0x21DF),
        ("21DF", 0x21DF),
        ("21 DF", 0x21DF),
        ("21dfh", 0x21DF),
        ("0b101", 5),
        ("0x2_1DF", 0x21DF),
    ],
)
def test_raw_words_as_people_paste_them(text: str, word: int) -> None:
    assert parse_raw(text) == word


@pytest.mark.parametrize("text", ["", "xyz", "0x", "-1", "0xZZ", "9" * 200])
def test_what_is_no_word_is_refused(text: str) -> None:
    with pytest.raises(CallError):
        parse_raw(text)


@pytest.mark.parametrize(
    "name", ["quoll16", "numbat24", "bilby32", "potoroo40", "wombat24", "quokka16"]
)
def test_every_register_has_its_frame_and_the_sequence_decodes_back(name: str) -> None:
    mine = bare(name)
    for item in mine.chip.registers.values():
        if item.holds_settings:
            found = write_of(mine, item.name)
            assert found.sent is not None or found.trouble
    lines = sequence_lines(mine.chip, mine.plan())
    words = [line for line in lines if line.startswith("0x")]
    assert len(words) == sum(a.sent is not None for a in mine.plan())


def test_comparisons_with_reset_saved_readback_and_files(tmp_path: Path) -> None:
    mine = draft()
    mine.set("GATE_HS.SOURCE", "56 mA")
    saved = compare_with(mine, ["saved"])
    assert [str(c) for c in saved.changes] == [
        f"GATE_HS.SOURCE: {PUMP.bank.reading('GATE_HS.SOURCE').label} -> 56 mA"
    ]  # type: ignore[union-attr]
    reset = compare_with(mine, ["reset"])
    at_reset = Bank.at_reset(mine.chip)
    for change in reset.changes:
        assert at_reset.field_code(change.field) != mine.bank.field_code(change.field)
    words = {n: w for n, w in mine.bank.words.items() if n in ("MODE", "GATE_HS")}
    same = compare_with(mine, [f"{n}=0x{w:X}" for n, w in words.items()])
    assert not same.changes
    assert "TIMING" in same.notes[0]
    listing = tmp_path / "readback.txt"
    listing.write_text("# read on the bench\nGATE_HS = 0x000\nMODE: 0x0AA\n")
    assert {c.field.register for c in compare_with(mine, [str(listing)]).changes} >= {"GATE_HS"}
    record = tmp_path / "readback.json"
    record.write_text('{"registers": {"GATE_HS": 0}}')
    assert {c.field.register for c in compare_with(mine, [str(record)]).changes} == {"GATE_HS"}
    with pytest.raises(CallError, match="nearest: reset"):
        compare_with(mine, ["reste"])


def test_comparison_with_a_capture_holds_what_its_frames_wrote(tmp_path: Path) -> None:
    """A capture written here from the draft's own sequence: nothing differs; with one word changed, that does."""
    mine = draft()
    path = tmp_path / "words.txt"
    words = [(a.sent.word, a.sent.kind) for a in mine.plan() if a.sent is not None]
    path.write_text("".join(f"0x{w:04X}\n" for w, _ in words))
    assert not compare_with(mine, [str(path)]).changes
    other = Codec(mine.chip).write(mine.chip.registers["VDS"], 3 << 4).word
    path.write_text(
        "".join(
            f"0x{other if mine.chip.registers['VDS'] is Codec(mine.chip).decode_command(w).register and k == 'write' else w:04X}\n"
            for w, k in words
        )
    )
    assert [c.field.ref for c in compare_with(mine, [str(path)]).changes] == ["VDS.THRESHOLD"]


def test_faults_are_explained_with_the_drafts_settings() -> None:
    found = explain_words(draft(), {"STATUS1": 0x109})
    assert found.findings[0].fault.name == "UV_SUPPLY"
    assert any("SUPPLY.UV" in s for s in found.findings[0].settings)


# --- the journal -------------------------------------------------------------------------------------
def test_nothing_is_written_until_something_is_accepted(tmp_path: Path) -> None:
    mine = Draft(PUMP, Journal(tmp_path / "state", "s.yaml", "text"))
    mine.consider("GATE_HS.SOURCE", "56 mA")
    assert not (tmp_path / "state").exists()


@given(steps=STEPS)
@settings(max_examples=15, deadline=None)
def test_a_journal_replays_to_the_same_statements(
    steps: list[tuple[str, str, int]], tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("state")
    journal = Journal(folder, "s.yaml", "text")
    mine = Draft(PUMP, journal)
    play(mine, steps)
    journal.keep()
    found = leftovers(folder, "s.yaml")
    again = Draft(PUMP)
    for left in found:
        assert left.same_base("text")
        assert left.replay(again.restate) == []
    assert again.statements == mine.statements


def test_a_draft_in_use_is_not_offered_and_a_cut_line_is_left_out(tmp_path: Path) -> None:
    journal = Journal(tmp_path, "s.yaml", "text")
    mine = Draft(PUMP, journal)
    mine.set("GATE_HS.SOURCE", "56 mA")
    mine.set("GATE_HS.SINK", "62 mA")
    assert leftovers(tmp_path, "s.yaml") == []
    assert journal.path is not None
    journal.keep()
    journal.path.write_text(journal.path.read_text()[:-5])
    (left,) = leftovers(tmp_path, "s.yaml")
    again = Draft(PUMP)
    left.replay(again.restate)
    assert again.statements["GATE_HS.SOURCE"] == "56 mA"
    assert leftovers(tmp_path, "other.yaml") == []


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]\n",
        '{"gateword_draft": 99}\n',
        '{"gateword_draft": 1}\n{"set": 3}\n',
        '{"gateword_draft": 1}\n{"set": {"NO.SUCH": "1"}}\n',
        "\x00\xff",
        "[" * 100_000 + "\n",
        '{"gateword_draft": 1}\n' + '{"set":' * 50_000 + "\n",
    ],
)
def test_a_spoiled_journal_harms_nothing(tmp_path: Path, text: str) -> None:
    journal = Journal(tmp_path, "s.yaml", "text")
    Draft(PUMP, journal).set("GATE_HS.SOURCE", "56 mA")
    journal.keep()
    assert journal.path is not None
    journal.path.write_text(text)
    mine = draft()
    for left in leftovers(tmp_path, "s.yaml"):
        left.replay(mine.restate)
    assert not mine.dirty


def test_kill_9_in_mid_edit_loses_nothing_accepted(tmp_path: Path) -> None:
    """A process accepts settings and says so after each; killed without warning, each one said is there."""
    code = textwrap.dedent("""
        import itertools, sys
        from pathlib import Path
        from regmap.draft import Draft, Journal
        from regmap.stages.load import load_stage
        draft = Draft(load_stage("coolant_pump"), Journal(Path(sys.argv[1]), "s.yaml", "text"))
        for number in itertools.count():
            draft.set("GATE_HS.SOURCE", number % 16)
            draft.set("VDS.THRESHOLD", number % 13)
            print(draft.statements["GATE_HS.SOURCE"], draft.statements["VDS.THRESHOLD"], sep=";", flush=True)
    """)
    process = subprocess.Popen(
        [sys.executable, "-c", code, str(tmp_path)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    said = [process.stdout.readline() for _ in range(40)]
    os.kill(process.pid, signal.SIGKILL)
    said += process.stdout.readlines()
    process.wait()
    process.stdout.close()
    (left,) = leftovers(tmp_path, "s.yaml")
    states = []
    mine = draft()
    for entry in left.entries:
        mine.restate(entry["set"])
        states.append(f"{mine.statements['GATE_HS.SOURCE']};{mine.statements['VDS.THRESHOLD']}\n")
    complete = [s for s in said if s.endswith("\n")]
    # everything said is in the journal, in order, and at most one more step that was not said yet
    at = 0
    for line in complete:
        at = states.index(line, at) + 1
    assert len(states) - at <= 2


def test_a_folder_that_cannot_be_written_is_told_and_does_not_stop_the_work(tmp_path: Path) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    journal = Journal(blocked, "s.yaml", "text")
    mine = Draft(PUMP, journal)
    mine.set("GATE_HS.SOURCE", "56 mA")
    assert mine.statements["GATE_HS.SOURCE"] == "56 mA"
    assert "no backup" in journal.trouble


@pytest.mark.parametrize("damage", [b"[" * 100_000 + b"\n", b"\xff\xfe\x00\n", b'{"set"\n', b"3\n"])
def test_what_can_be_read_of_a_damaged_journal_is_offered(tmp_path: Path, damage: bytes) -> None:
    journal = Journal(tmp_path, "s.yaml", "text")
    mine = Draft(PUMP, journal)
    mine.set("GATE_HS.SOURCE", "56 mA")
    mine.set("GATE_HS.SINK", "62 mA")
    journal.keep()
    assert journal.path is not None
    head, first, second, _ = journal.path.read_bytes().split(b"\n")
    journal.path.write_bytes(b"\n".join([head, first, damage + second, b""]))
    (left,) = leftovers(tmp_path, "s.yaml")
    assert left.steps == 2
    assert left.damaged == 1
    again = Draft(PUMP)
    left.replay(again.restate)
    assert again.statements["GATE_HS.SOURCE"] == "56 mA"
    assert again.statements["GATE_HS.SINK"] == "62 mA"


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("TIMING.DEAD_TIME", "800 ns"),
        ("GATE_HS.SOURCE", ">= 105 mA"),
        ("GATE_HS.SINK", "max"),
        ("VDS.THRESHOLD", "at most 0.26 V"),
    ],
)
@pytest.mark.one_in(4)
def test_the_wish_is_kept_as_typed_to_file_header_and_record(
    tmp_path: Path, name: str, text: str
) -> None:
    from regmap.cheader.steps import setting_text
    from regmap.report import review
    from regmap.stages.save import save_stage

    path = tmp_path / "pump.yaml"
    path.write_text(find_document("coolant_pump", "stage").read_text())
    draft = Draft(load_stage(path))
    draft.set(name, text)
    assert draft.statements[name] == text
    code = draft.bank.code(name)
    stage, _ = save_stage(path, path.read_text(), draft.unsaved(), draft.chip)
    [setting] = [s for s in load_stage(path).settings if s.name == name]
    assert (setting.asked, setting.choice.code) == (text, code)
    assert f"wanted {text}, chosen {setting.choice.reading.label}" in setting_text(setting)
    assert html.escape(text, quote=False) in review(stage).html
