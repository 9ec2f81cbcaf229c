"""A newer revision of a sheet: what changed is told, a person's edits stay, clashes are doubts."""

from __future__ import annotations

import io
from pathlib import Path

import pytest

from regmap.cli.context import Context
from regmap.cli.main import main
from regmap.intake import map_text, read_sources
from regmap.intake.update import changes, merged

ONE = """\
GATE register (address 0x1)

| Bit | Name | Type | Reset | Description |
|---|---|---|---|---|
| 7:6 | SOURCE | R/W | 1 | source current 00b = 33 mA, 01b = 82 mA, 10b = 150 mA, 11b = 330 mA |
| 5:4 | SINK | R/W | 0 | sink current |
| 3:0 | SPARE | magic | 2 | left to firmware |
"""
TWO = "Revision 2\n\n" + ONE.replace("82 mA", "91 mA").replace(
    "| 5:4 | SINK | R/W | 0", "| 5:4 | SINK | R/W | 3"
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "one.md").write_text(ONE)
    (tmp_path / "two.md").write_text(TWO)
    return tmp_path


def run(*arguments: str, stdin: str = "") -> tuple[int, str]:
    context = Context(
        stdin=io.StringIO(stdin), stdout=io.StringIO(), stderr=io.StringIO(), environ={}
    )
    status = main(list(arguments), context)
    assert isinstance(context.stderr, io.StringIO)
    return status, context.stderr.getvalue()


def test_changes_are_told_one_by_one(folder: Path) -> None:
    old, new = (read_sources([str(folder / n)]) for n in ("one.md", "two.md"))
    assert changes(old, new) == [
        "GATE.SOURCE: options was 0 = 33 mA, 1 = 82 mA, 2 = 150 mA, 3 = 330 mA, "
        "is 0 = 33 mA, 1 = 91 mA, 2 = 150 mA, 3 = 330 mA",
        "GATE.SINK: reset was 0x0, is 0x3",
    ]
    assert changes(old, old) == []


def test_both_sides_are_kept_where_they_do_not_meet(folder: Path) -> None:
    base, newer = (map_text(read_sources([str(folder / n)]), "c") for n in ("one.md", "two.md"))
    own = base.replace("summary: left to firmware", "summary: the person's own words")
    assert own != base
    text, clashes = merged(base, own, newer)
    assert clashes == 0
    assert "the person's own words" in text
    assert "91 mA" in text
    assert "82 mA" not in text


def test_where_both_changed_the_persons_line_stays_under_a_doubt(folder: Path) -> None:
    base, newer = (map_text(read_sources([str(folder / n)]), "c") for n in ("one.md", "two.md"))
    own = base.replace("1: 82 mA", "1: 80 mA")
    text, clashes = merged(base, own, newer)
    assert clashes == 1
    assert "1: 80 mA" in text
    [doubt] = [line for line in text.splitlines() if "the newer sheet says" in line]
    assert doubt.strip().startswith("# doubt, serious: the newer sheet says: ")
    assert "91 mA" in doubt


def test_a_merge_without_a_newer_sheet_changes_nothing(folder: Path) -> None:
    base = map_text(read_sources([str(folder / "one.md")]), "c")
    own = base.replace("SINK", "MINE").replace("  GATE:", "  # mine\n  GATE:")
    assert merged(base, own, base) == (own, 0)
    assert merged(base, base, base) == (base, 0)


def test_the_command_updates_a_map_in_place(folder: Path) -> None:
    target = folder / "c.yaml"
    assert run("new", "map", "-o", str(target), "--from", str(folder / "one.md"))[0] == 0
    target.write_text(target.read_text().replace("left to firmware", "my words"))
    status, said = run(
        "new", "map", "-o", str(target), "--from", str(folder / "two.md"), "--update", str(folder / "one.md")
    )  # fmt: skip
    assert status == 0
    assert "changed: GATE.SINK: reset was 0x0, is 0x3" in said
    assert "2 changes, 0 places" in said
    text = target.read_text()
    assert "my words" in text
    assert "reset: 3" in text


def test_a_map_that_is_there_is_not_written_over(folder: Path) -> None:
    (folder / "c.yaml").write_text("mine\n")
    status, said = run("new", "map", "-o", str(folder / "c.yaml"), "--from", str(folder / "one.md"))
    assert status == 2
    assert "is there already" in said
    assert (folder / "c.yaml").read_text() == "mine\n"
    status, said = run("new", "map", "-o", str(folder / "no.yaml"), "--from", str(folder / "two.md"), "--update", str(folder / "one.md"))  # fmt: skip
    assert status == 2
    assert "there is no map" in said


def test_the_walk_settles_corrects_and_leaves(folder: Path) -> None:
    target = folder / "c.yaml"
    source = str(folder / "one.md")
    plain = run("new", "map", "-o", str(target), "--from", source)[1]
    before = target.read_text().count("# doubt, ")
    assert f"{before} doubts" in plain
    answers = "what\n" + "\n" * 2 + "= SPARE: {bits: 3..0, access: rw, reset: 2}\ns\nq\n"
    status, said = run(
        "new", "map", "-o", str(target), "--from", source, "--ask", "--force", stdin=answers
    )
    assert status == 0
    assert "'what' is no answer" in said
    assert "sheet: 3:0 | SPARE | magic | 2 | left to firmware" in said
    text = target.read_text()
    assert text.count("# doubt, ") == before - 2
    assert "SPARE: {bits: 3..0, access: rw, reset: 2}  # one.md line 7" in text


def test_without_ask_nothing_is_read_from_standard_input(folder: Path) -> None:
    class Shut(io.StringIO):
        def readline(self, *_: object) -> str:  # type: ignore[override]
            raise AssertionError

    context = Context(stdin=Shut(), stdout=io.StringIO(), stderr=io.StringIO(), environ={})
    assert main(["new", "map", "-o", "-", "--from", str(folder / "one.md")], context) == 0
