"""Saving into the user's own stage file: what was not changed stays, byte for byte.

Oracles: PyYAML's constructed data of the text before and after, ruamel.yaml where it is installed
(an independent parser), and plain comparison of the lines that no setting stands on.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from regmap.errors import CallError, FileError
from regmap.maps.load import find_document, load_map
from regmap.stages.load import load_stage, read_stage
from regmap.stages.save import (
    StageChangedError,
    edit_stage,
    new_stage,
    proven,
    read_stage_text,
    save_stage,
)

CHIP = load_map("quoll16")
HEAD = "gateword_stage: 1\nstage: {name: t}\nmap: quoll16\n"

#: (before, changes, after): everything that is not named in `changes` is the same text
CASES = [
    (
        "settings:\n  MODE:\n    RETRY: 6 ms   # wait\n",
        {"MODE.RETRY": "3 ms"},
        "settings:\n  MODE:\n    RETRY: 3 ms   # wait\n",
    ),
    (
        "settings:\n  MODE.RETRY:    6 ms\n",
        {"MODE.RETRY": "3 ms"},
        "settings:\n  MODE.RETRY:    3 ms\n",
    ),
    (
        'settings: {MODE: {RETRY: "6 ms" , PWM: six_input}}\n',
        {"MODE.RETRY": "3 ms"},
        'settings: {MODE: {RETRY: "3 ms" , PWM: six_input}}\n',
    ),
    (
        "settings:\n  \"MODE.RETRY\": '6 ms'\n",
        {"MODE.RETRY": "3 ms"},
        "settings:\n  \"MODE.RETRY\": '3 ms'\n",
    ),
    (
        "settings:\n  SENSE: {OC_EN: 'off'}\n",
        {"SENSE.OC_EN": "on"},
        "settings:\n  SENSE: {OC_EN: 'on'}\n",
    ),
    # a new field: after its neighbours, in their style
    (
        "settings:\n    MODE:\n        RETRY: 6 ms # wait\n    # gates\n    GATE_HS: {HOLD: 68 mA}\n",
        {"MODE.PWM": "one_input"},
        "settings:\n    MODE:\n        RETRY: 6 ms # wait\n        PWM: one_input\n    # gates\n    GATE_HS: {HOLD: 68 mA}\n",
    ),
    (
        "settings:\n  GATE_HS: {HOLD: 68 mA, }\n",
        {"GATE_HS.SINK": "62 mA"},
        "settings:\n  GATE_HS: {HOLD: 68 mA, SINK: 62 mA, }\n",
    ),
    (
        "settings:\n  GATE_HS: {}\n",
        {"GATE_HS.SINK": "62 mA"},
        "settings:\n  GATE_HS: {SINK: 62 mA}\n",
    ),
    (
        "settings:\n  MODE.PWM: one_input\n",
        {"MODE.RETRY": "3 ms"},
        "settings:\n  MODE.PWM: one_input\n  MODE.RETRY: 3 ms\n",
    ),
    # a new register: where the map has it, in nested style, or dotted where all are
    (
        "settings:\n  MODE:\n   PWM: one_input\n  VDS.THRESHOLD: 250 mV # trip\npwm.frequency: 20 kHz\n",
        {"GATE_HS.SINK": "62 mA"},
        "settings:\n  MODE:\n   PWM: one_input\n  GATE_HS:\n   SINK: 62 mA\n  VDS.THRESHOLD: 250 mV # trip\npwm.frequency: 20 kHz\n",
    ),
    (
        "settings:\n  MODE.PWM: one_input\n",
        {"GATE_HS.SINK": "62 mA"},
        "settings:\n  MODE.PWM: one_input\n  GATE_HS.SINK: 62 mA\n",
    ),
    ("settings: {}\n", {"GATE_HS.SINK": "62 mA"}, "settings: {GATE_HS: {SINK: 62 mA}}\n"),
    ("", {"GATE_HS.SINK": "62 mA"}, "\nsettings:\n  GATE_HS:\n    SINK: 62 mA\n"),
    (
        "# the end\n",
        {"GATE_HS.SINK": "62 mA"},
        "# the end\n\nsettings:\n  GATE_HS:\n    SINK: 62 mA\n",
    ),
    (
        "pwm.frequency: 20 kHz\n...\n",
        {"GATE_HS.SINK": "62 mA"},
        "pwm.frequency: 20 kHz\n\nsettings:\n  GATE_HS:\n    SINK: 62 mA\n...\n",
    ),
    # taken out
    (
        "settings:\n  MODE:\n    PWM: one_input # a\n    RETRY: 6 ms # b\n",
        {"MODE.RETRY": None},
        "settings:\n  MODE:\n    PWM: one_input # a\n",
    ),
    (
        "settings:\n  MODE:\n    RETRY: 6 ms\n  VDS.THRESHOLD: 250 mV\n",
        {"MODE.RETRY": None},
        "settings:\n  VDS.THRESHOLD: 250 mV\n",
    ),
    ("settings: # mine\n  MODE:\n    RETRY: 6 ms\n", {"MODE.RETRY": None}, "settings: {} # mine\n"),
    (
        "settings:\n  MODE: {PWM: one_input, RETRY: 6 ms}\n",
        {"MODE.PWM": None},
        "settings:\n  MODE: {RETRY: 6 ms}\n",
    ),
    (
        "settings:\n  MODE: {PWM: one_input, RETRY: 6 ms }\n",
        {"MODE.RETRY": None},
        "settings:\n  MODE: {PWM: one_input }\n",
    ),
    ("settings: {MODE: {RETRY: 6 ms}}\n", {"MODE.RETRY": None}, "settings: {}\n"),
    # anchors and aliases: changing one never changes another
    (
        "settings:\n  GATE_HS: &g {SINK: 62 mA}\n  GATE_LS: *g\n",
        {"GATE_LS.SINK": "91 mA"},
        "settings:\n  GATE_HS: &g {SINK: 62 mA}\n  GATE_LS: {SINK: 91 mA}\n",
    ),
    (
        "settings:\n  GATE_HS: &g {SINK: 62 mA}\n  GATE_LS: *g\n",
        {"GATE_HS.SINK": "91 mA"},
        "settings:\n  GATE_HS: &g {SINK: 91 mA}\n  GATE_LS: {SINK: 62 mA}\n",
    ),
    (
        "settings:\n  GATE_HS.SINK: &g 62 mA\n  GATE_LS.SINK: *g\n",
        {"GATE_LS.SINK": "91 mA"},
        "settings:\n  GATE_HS.SINK: &g 62 mA\n  GATE_LS.SINK: 91 mA\n",
    ),
    (
        "settings:\n  GATE_HS.SINK: &g 62 mA\n  GATE_LS.SINK: *g\n",
        {"GATE_HS.SINK": "91 mA"},
        "settings:\n  GATE_HS.SINK: &g 91 mA\n  GATE_LS.SINK: 62 mA\n",
    ),
    # a value that spans lines, and one in a block scalar
    (
        "settings:\n  MODE.RETRY: >-\n    6 ms\n  # next\n  MODE.PWM: one_input\n",
        {"MODE.RETRY": "3 ms"},
        "settings:\n  MODE.RETRY: 3 ms\n  # next\n  MODE.PWM: one_input\n",
    ),
    (
        "settings:\n  MODE.RETRY: 6\n    ms\n  MODE.PWM: one_input\n",
        {"MODE.RETRY": "3 ms"},
        "settings:\n  MODE.RETRY: 3 ms\n  MODE.PWM: one_input\n",
    ),
    # no line end at the end of the file
    (
        "settings:\n  MODE:\n    RETRY: 6 ms",
        {"MODE.PWM": "one_input"},
        "settings:\n  MODE:\n    RETRY: 6 ms\n    PWM: one_input",
    ),
]


@pytest.mark.parametrize(("before", "changes", "after"), CASES)
@pytest.mark.parametrize("eol", ["\n", "\r\n"])
@pytest.mark.parametrize("bom", ["", "\ufeff"])
def test_each_way_of_writing_is_kept(
    before: str, changes: dict[str, str | None], after: str, eol: str, bom: str
) -> None:
    old, new = (bom + (HEAD + t).replace("\n", eol) for t in (before, after))
    assert edit_stage(old, changes, CHIP) == new
    stage, problems = read_stage("s.yaml", text=new.removeprefix("\ufeff"))
    assert not problems
    assert stage is not None
    stated = {s.name: s.asked for s in stage.settings}
    for name, text in changes.items():
        assert stated.get(name) == text


def test_a_value_that_needs_quotes_gets_them() -> None:
    text = edit_stage(HEAD + "settings: {MODE.PWM: one_input}\n", {"MODE.PWM": "a: b, c"}, CHIP)
    assert yaml.safe_load(text)["settings"]["MODE.PWM"] == "a: b, c"


def test_an_external_value_goes_under_external() -> None:
    chip = load_map("potoroo40")
    name = next(iter(chip.externals))
    head = "gateword_stage: 1\nstage: {name: t}\nmap: potoroo40\n"
    text = edit_stage(head, {name: "400 mA"}, chip)
    assert text == head + f"\nexternal:\n  {name}: 400 mA\n"


OPTIONS = {
    f.ref: sorted({e.name for m in f.meanings for e in m.entries.values()} - {""})
    for r in CHIP.registers.values()
    for f in r.fields
    if f.setting
    and r.name != "LOCK"
    # settings that a rule of the map ties to others: the loader refuses files that break it
    and not any(f.ref in rule.require.names() for rule in CHIP.rules)
}
EDITS = st.dictionaries(st.sampled_from(sorted(OPTIONS)), st.integers(0, 40), max_size=8)


def _texts(edits: dict[str, int]) -> dict[str, str | None]:
    return {n: None if k % 5 == 0 else OPTIONS[n][k % len(OPTIONS[n])] for n, k in edits.items()}


@given(first=EDITS, second=EDITS)
@settings(max_examples=30, deadline=None)
def test_any_edits_read_back_and_leave_all_else(
    first: dict[str, int], second: dict[str, int]
) -> None:
    """Two rounds of edits on the bundled example: settings as wanted, all other keys and comments as before."""
    text = find_document("coolant_pump").read_text(encoding="utf-8")
    wanted = {s.name: s.asked for s in load_stage("coolant_pump").settings}
    old_rest = {k: v for k, v in yaml.safe_load(text).items() if k != "settings"}
    comments = [line for line in text.splitlines() if "#" in line]
    for edits in (first, second):
        changes = _texts(edits)
        text = edit_stage(text, changes, CHIP)
        wanted = {n: t for n, t in {**wanted, **changes}.items() if t is not None}
    stage, _ = read_stage("s.yaml", text=text)
    assert stage is not None
    assert {s.name: s.asked for s in stage.settings} == wanted
    assert {k: v for k, v in yaml.safe_load(text).items() if k != "settings"} == old_rest
    assert [line for line in text.splitlines() if "#" in line] == comments


@given(edits=EDITS)
@settings(max_examples=15, deadline=None)
def test_another_parser_reads_the_same(edits: dict[str, int]) -> None:
    """ruamel.yaml, a parser of its own, sees the same settings and the same rest."""
    ruamel = pytest.importorskip("ruamel.yaml")
    text = edit_stage(
        find_document("coolant_pump").read_text(encoding="utf-8"), _texts(edits), CHIP
    )
    loader = ruamel.YAML(typ="rt", pure=True)
    found = loader.load(text)
    stated = {
        f"{r}.{n}" if isinstance(v, dict) else r: str(x)
        for r, v in found["settings"].items()
        for n, x in (v.items() if isinstance(v, dict) else [("", v)])
    }
    stage, _ = read_stage("s.yaml", text=text)
    assert stage is not None
    assert set(stated) == {s.name for s in stage.settings}


# --- the file ------------------------------------------------------------------------------------
def _file(tmp_path: Path, body: str = "settings:\n  MODE.RETRY: 6 ms\n") -> tuple[Path, str]:
    path = tmp_path / "s.yaml"
    path.write_text(HEAD + body)
    return path, HEAD + body


def test_save_is_whole_and_keeps_link_and_permissions(tmp_path: Path) -> None:
    path, text = _file(tmp_path)
    path.chmod(0o640)
    link = tmp_path / "link.yaml"
    link.symlink_to(path)
    stage, new = save_stage(link, text, {"MODE.RETRY": "3 ms"}, CHIP)
    assert link.is_symlink()
    assert path.read_text() == new == text.replace("6 ms", "3 ms")
    assert path.stat().st_mode & 0o777 == 0o640
    assert [s.asked for s in stage.settings] == ["3 ms"]
    assert sorted(p.name for p in tmp_path.iterdir()) == ["link.yaml", "s.yaml"]


def test_a_file_that_changed_is_not_written_without_asking(tmp_path: Path) -> None:
    path, text = _file(tmp_path)
    theirs = text + "  MODE.PWM: one_input # theirs\n"
    path.write_text(theirs)
    with pytest.raises(StageChangedError, match="changed on disk"):
        save_stage(path, text, {"MODE.RETRY": "3 ms"}, CHIP)
    assert path.read_text() == theirs
    save_stage(path, text, {"MODE.RETRY": "3 ms"}, CHIP, merge=True)
    assert path.read_text() == theirs.replace("6 ms", "3 ms")


def test_a_file_that_is_no_stage_any_more_is_left_alone(tmp_path: Path) -> None:
    path, text = _file(tmp_path)
    path.write_text("settings: [\n")
    with pytest.raises(FileError, match="not YAML"):
        save_stage(path, text, {"MODE.RETRY": "3 ms"}, CHIP, merge=True)
    assert path.read_text() == "settings: [\n"


def test_what_would_not_read_back_is_refused_before_the_disk(tmp_path: Path) -> None:
    path, text = _file(tmp_path)
    with pytest.raises(FileError, match="not a choice"):
        save_stage(path, text, {"MODE.RETRY": "nonsense"}, CHIP)
    with pytest.raises(CallError, match="change it by hand"):
        proven(path, text, {"MODE.RETRY": "12 ms"})
    assert path.read_text() == text


@pytest.mark.skipif(
    os.name != "posix" or os.geteuid() == 0, reason="the superuser may write anywhere"
)
def test_a_folder_that_cannot_be_written_is_an_os_error(tmp_path: Path) -> None:
    path, text = _file(tmp_path)
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(OSError, match="ermission"):
            save_stage(path, text, {"MODE.RETRY": "3 ms"}, CHIP)
    finally:
        tmp_path.chmod(0o700)
    assert path.read_text() == text


def test_a_write_that_breaks_off_leaves_the_old_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path, text = _file(tmp_path)

    def broken(_: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("regmap.files.os.fsync", broken)
    with pytest.raises(OSError, match="No space"):
        save_stage(path, text, {"MODE.RETRY": "3 ms"}, CHIP)
    assert path.read_text() == text
    assert [p.name for p in tmp_path.iterdir()] == ["s.yaml"]


def test_a_stage_and_its_modes_are_one_write(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All parts or none: what one mode refuses leaves the others unsaved too, and the disk is written once."""
    body = (
        "settings:\n  MODE.RETRY: 6 ms\nmodes:\n  own: {after: [controller]}\n"
        "  first: &both\n    after: [controller]\n  second: *both\n"
    )
    path, text = _file(tmp_path, body)
    written: list[str] = []
    monkeypatch.setattr(
        "regmap.stages.save.write_whole",
        lambda path, text: (written.append(text), Path(path).write_text(text)),
    )
    retry = {"MODE.RETRY": "3 ms"}
    with pytest.raises(CallError, match="alias"):
        save_stage(path, text, retry, CHIP, modes={"own": {"MODE.PWM": "one_input"}, "second": retry})  # fmt: skip
    assert (path.read_text(), written) == (text, [])
    with pytest.raises(CallError, match="has no mode"):
        save_stage(path, text, retry, CHIP, modes={"third": retry})
    assert (path.read_text(), written) == (text, [])
    stage, new = save_stage(path, text, retry, CHIP, modes={"own": {"MODE.PWM": "one_input"}})
    assert written == [new]
    data = yaml.safe_load(path.read_text())
    assert data["settings"] == retry
    assert data["modes"]["own"]["settings"] == {"MODE.PWM": "one_input"}
    assert data["modes"]["first"] == data["modes"]["second"] == {"after": ["controller"]}
    own = {s.name: s.asked for s in stage.modes["own"].settings}
    assert own == {**retry, "MODE.PWM": "one_input"}


def test_a_new_stage_loads(tmp_path: Path) -> None:
    path = tmp_path / "new.yaml"
    path.write_text(
        new_stage("mine", "quoll16", {"MODE.RETRY": "3 ms", "GATE_HS.SINK": "62 mA"}, CHIP)
    )
    assert {s.name: s.asked for s in load_stage(path).settings} == {
        "MODE.RETRY": "3 ms",
        "GATE_HS.SINK": "62 mA",
    }
    assert read_stage_text(path) == path.read_text()
