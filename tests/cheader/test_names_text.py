"""Identifiers and texts: whatever a map says, C stays C."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Callable

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from regmap.cheader.names import KEYWORDS, Namer, check_prefix, default_prefix, member, word
from regmap.cheader.text import block, comment, number, string
from regmap.errors import CallError

NASTY = st.text(
    st.one_of(st.sampled_from("*/\\?\"'%=!<>()-\n\r\t µΩ°±\u202e\u2028\x00a0_#"), st.characters())
)


def test_text_of_other_languages() -> None:
    assert comment("Überstrom löst aus, 5 µA, café") == "Ueberstrom loest aus, 5 uA, cafe"
    assert comment("过电流 перегрузка") == "过电流 перегрузка"
    assert comment("a\u202eb\u05d0") == "a?b?"
    assert comment("＊／ end") == "* / end"
    assert "<U+" not in comment("\u202eabc\u200b\u05d0\x00")
    assert string("Übü").isascii()


@given(NASTY)
def test_comments_cannot_be_left_or_nested(text: str) -> None:
    safe = comment(text)
    assert safe.isprintable() or not safe
    assert not re.search("[\u0590-\u08ff\u200b-\u200f\u202a-\u202e\u2066-\u2069]", safe)
    for bad in ("*/", "/*", "//", "??", "\\"):
        assert bad not in safe
    lines = block(text)
    whole = "\n".join(lines)
    assert whole.startswith("/*")
    assert whole.endswith("*/")
    assert whole.count("*/") == 1
    assert whole.count("/*") == 1


@given(NASTY)
def test_strings_hold_their_text(text: str) -> None:
    literal = string(text)
    assert literal.isascii()
    assert literal.isprintable()
    assert "??" not in literal
    body = literal[1:-1]
    # no quote and no backslash of its own: every one belongs to an escape
    assert re.fullmatch(r'(?:[^"\\]|\\["\\?]|\\[0-7]{3})*', body)


@settings(max_examples=1)
@given(st.lists(NASTY, min_size=60, max_size=60))
def test_the_compiler_reads_back_what_was_meant(
    need_tool: Callable[[str], str], tmp_path_factory: pytest.TempPathFactory, texts: list[str]
) -> None:
    """Trigraphs on: gcc -std=c99 reads every literal as the text's UTF-8 (ISO C 5.1.1.2, 5.2.1.1)."""
    from regmap.cheader.text import plain

    folder = tmp_path_factory.mktemp("strings")
    lines = ["#include <stdio.h>", "int main(void) {"]
    for text in texts:
        lines += [
            *block(text, "  "),
            f"  fwrite({string(text)}, 1, sizeof({string(text)}), stdout);",
        ]
    (folder / "t.c").write_text("\n".join([*lines, "  return 0;", "}", ""]), "ascii")
    gcc = need_tool("gcc")
    subprocess.run(
        [
            gcc,
            "-std=c99",
            "-trigraphs",
            "-Wall",
            "-Wextra",
            "-Wpedantic",
            "-Werror",
            "t.c",
            "-o",
            "t",
        ],
        cwd=folder,
        check=True,
    )
    got = subprocess.run([folder / "t"], capture_output=True, check=True).stdout
    assert got == b"".join(plain(t).encode("utf-8", "surrogatepass") + b"\0" for t in texts)


@given(NASTY)
def test_members_are_identifiers(text: str) -> None:
    name = member(text)
    assert re.fullmatch(r"[a-z][a-z0-9_]*", name)
    assert name not in KEYWORDS


@pytest.mark.parametrize(
    ("text", "keep", "expected"),
    [
        ("gate_hs", False, "GATE_HS"),
        ("1.5mV", True, "1_5mV"),
        ("-40degC", True, "minus40degC"),
        ("50 %", False, "50PERCENT"),
        ("10 µA", True, "10_uA"),
        ("Ω", True, "ohm"),
        ("äö", False, "U00E4_U00F6"),
        ("Größe", True, "Gr_U00F6_U00DF_e"),
        ("a--b__c", False, "A_B_C"),
    ],
)
def test_words(text: str, keep: bool, expected: str) -> None:
    if text == "50 %":
        assert word(text) == "50_PERCENT"
    else:
        assert word(text, keep_case=keep) == expected


@pytest.mark.parametrize("prefix", ["gd", "Gd2_", "my_drive", "A1"])
def test_good_prefixes(prefix: str) -> None:
    assert check_prefix(prefix) == prefix.rstrip("_")


@pytest.mark.parametrize(
    "prefix",
    [
        "",
        "_gd",
        "2gd",
        "g-d",
        "a__b",
        "int",
        "UINT8",
        "str",
        "E",
        "x" * 25,
        "for",
        "a b",
        "ä",
        "\n",
    ],
)
def test_bad_prefixes(prefix: str) -> None:
    with pytest.raises(CallError, match="prefix"):
        check_prefix(prefix)


@given(st.text(max_size=40))
def test_default_prefixes_are_good(name: str) -> None:
    prefix = default_prefix(name)
    assert check_prefix(prefix) == prefix


def test_clashes_are_told_and_never_merged() -> None:
    def ask(clashes: frozenset[str]) -> tuple[Namer, str, str]:
        namer = Namer("gd", clashes)
        return (
            namer,
            namer.macro("A", "B_C", of="field A.B_C"),
            namer.macro("A_B", "C", of="field A_B.C"),
        )

    first, one, two = ask(frozenset())
    assert one == two == "GD_A_B_C"
    assert first.wanted_twice == {"GD_A_B_C"}
    second, one, two = ask(first.wanted_twice)
    assert one != two
    assert one.startswith("GD_A_B_C_")
    assert two.startswith("GD_A_B_C_")
    assert len(second.notes) == 2
    assert "would be several things" in second.notes[0]
    # the order of asking does not decide which name is whose
    third = Namer("gd", first.wanted_twice)
    assert third.macro("A_B", "C", of="field A_B.C") == two


def test_long_names_stay_distinct() -> None:
    namer = Namer("gd")
    a = namer.macro("X" * 70 + "A", of="one")
    b = namer.macro("X" * 70 + "B", of="two")
    assert a != b
    assert len(a) == len(b) == 63
    assert len(namer.notes) == 2


def test_numbers_take_the_type_they_need() -> None:
    assert number(5, 10) == "0x005U"
    assert number(0x1FFFF, 24) == "0x01FFFFU"
    assert number(1 << 40) == "0x10000000000U"
