"""JSON of any kind of badness: one error, never a RecursionError."""

from __future__ import annotations

import json

import pytest

from regmap.behaviour.readback import parse_readback
from regmap.document.jsontext import read_json
from regmap.errors import FileError
from regmap.maps.load import load_map


@pytest.mark.parametrize(
    "text", ["[" * 100_000, '{"a":' * 100_000, "", "{", "[1,", "nul", "\ud800", "1" * 5000]
)
def test_whatever_is_wrong_is_a_value_error(text: str) -> None:
    with pytest.raises(ValueError):
        read_json(text)


def test_what_is_right_is_read() -> None:
    value = {"a": [1, 2.5, None, True, "x"]}
    assert read_json(json.dumps(value)) == value


def test_a_readback_nested_too_deep_is_a_located_problem() -> None:
    chip = load_map("quoll16")
    with pytest.raises(FileError, match="nested too deep") as caught:
        parse_readback("[" * 100_000, chip, "words.json")
    assert caught.value.problems[0].place.line == 1


def test_a_number_of_too_many_digits_is_no_json() -> None:
    """Python converts 4,300 digits at most; what is longer ends as everything that is no JSON does."""
    with pytest.raises(json.JSONDecodeError, match="too many digits"):
        read_json('{"GATE_HS": ' + "1" * 5000 + "}")
