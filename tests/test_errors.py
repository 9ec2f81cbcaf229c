"""Problems: the whole message, the line and the caret."""

from __future__ import annotations

import ast
import re
from pathlib import Path

from regmap.errors import CallError, FileError, Place, Problem, nearest


def test_one_line_says_place_found_expected_and_nearest() -> None:
    place = Place("a.yaml", 3, 7, 4, "  bits: 9:2")
    problem = Problem(place, "'9:2'", "bits such as 7..4", "9..2", "registers.A")
    assert (
        str(problem)
        == "a.yaml:3:7: error: '9:2'; expected bits such as 7..4; nearest: 9..2 [registers.A]"
    )


def test_the_spot_is_underlined() -> None:
    place = Place("a.yaml", 3, 9, 3, "  bits: 9:2")
    assert Problem(place, "x").render().splitlines()[1:] == ["      bits: 9:2", "            ^^^"]


def test_a_long_line_is_cut_around_the_spot() -> None:
    text = "k: " + "x" * 300 + "BAD" + "y" * 300
    rendered = Problem(Place("a.yaml", 1, 304, 3, text), "x").render(80).splitlines()
    assert all(len(line) <= 80 for line in rendered[1:])
    column = rendered[2].index("^")
    assert rendered[1][column : column + 3] == "BAD"


def test_control_characters_never_reach_the_terminal() -> None:
    rendered = Problem(Place("a.yaml", 1, 1, 1, "k: \x1b[31m"), "x").render()
    assert "\x1b" not in rendered


def test_all_problems_are_in_the_text() -> None:
    error = FileError([Problem(Place("a", 1, 1), "one"), Problem(Place("a", 2, 1), "two")])
    assert str(error).splitlines() == ["a:1:1: error: one", "a:2:1: error: two"]


def test_nearest_prefers_the_same_word_in_another_case() -> None:
    assert nearest("gate_hs", ["GATE_LS", "GATE_HS"]) == ["GATE_HS"]
    assert nearest("zzz", ["GATE_LS", "GATE_HS"]) == []


def test_an_error_keeps_its_parts() -> None:
    error = CallError("no gate 'GATE_HX'", "a gate of the map", "GATE_HS", part="GATE_HX")
    assert str(error) == "no gate 'GATE_HX'; expected a gate of the map; nearest: GATE_HS"
    assert (error.found, error.expected, error.nearest, error.part) == (
        "no gate 'GATE_HX'",
        "a gate of the map",
        "GATE_HS",
        "GATE_HX",
    )
    about = error.about("--gate")
    assert str(about) == f"--gate: {error}"
    assert about.nearest == "GATE_HS"


def test_messages_are_put_together_in_one_place_and_never_taken_apart() -> None:
    """`expected` and `nearest` are parts of an error; only errors.py makes a text of them."""
    root = Path(__file__).parents[1]
    found = []
    for path in sorted([*(root / "regmap").rglob("*.py"), *(root / "cli").rglob("*.py")]):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Constant) or not isinstance(node.value, str):
                continue
            if re.match(r"; (nearest: |expected )", node.value) or re.search(
                r"; nearest: $", node.value
            ):
                found.append(f"{path.relative_to(root)}:{node.lineno}")
    allowed = {
        # a margin, not a name: what the best settings come to
        "cli/propose.py",
    }
    assert [f for f in found if f.partition(":")[0] not in allowed] == []
