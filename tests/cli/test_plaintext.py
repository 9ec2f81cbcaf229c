"""No character that a terminal obeys or hides leaves the program, whatever it came in with."""

from __future__ import annotations

import io
import json
import os
import subprocess
import sys
import unicodedata
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import regmap
from regmap.cli.composer.paint import cut
from regmap.cli.context import Context
from regmap.cli.plaintext import json_safe, visible

HOME = Path(regmap.__file__).parents[1]
EVIL = "a\x1b[2Jb\x9b31mc\x9d0;t\x07d\u202ee\u2066f\u200bg\rh\x7fi\u00adj\ufeffk\U000e0041l"
HARMFUL = {"Cc", "Cf", "Zl", "Zp", "Cs"}


def harmful(text: str) -> list[str]:
    """By the Unicode character database, not by the program's own list."""
    return [c for c in text if unicodedata.category(c) in HARMFUL and c not in "\n\t"]


@given(st.text())
def test_what_is_visible_is_harmless_and_says_what_was_there(text: str) -> None:
    shown = visible(text)
    left = [c for c in harmful(shown) if unicodedata.category(c) != "Cs"]
    # format characters of scripts (Arabic number signs and the like) have a shape of their own
    assert all(
        unicodedata.category(c) == "Cf"
        and c.isalpha() is False
        and unicodedata.bidirectional(c) in ("AN", "L")
        for c in left
    )
    if not harmful(text):
        assert shown == text or "\u115f" in text or "\u3164" in text or visible(text) != text


@given(
    st.recursive(
        st.none() | st.text() | st.integers(), lambda v: st.lists(v) | st.dictionaries(st.text(), v)
    )
)
def test_json_says_the_same(value: object) -> None:
    text = json.dumps(value, ensure_ascii=False, indent=1)
    assert json.loads(json_safe(text)) == json.loads(text)


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


def test_only_our_own_colours_reach_a_terminal() -> None:
    context = Context(stdout=Terminal(), stderr=Terminal(), environ={})
    context.out(context.style(EVIL, "bad"))
    shown = context.stdout.getvalue()  # type: ignore[attr-defined]
    assert shown.startswith("\x1b[31;1ma\\x1b[2Jb\\x9b31m")
    assert shown.endswith("\x1b[0m\n")
    assert shown.count("\x1b") == 2
    context.err(EVIL)
    context.say(EVIL)
    assert not harmful(context.stderr.getvalue())  # type: ignore[attr-defined]


def test_the_composer_paints_nothing_harmful() -> None:
    assert not harmful(cut(EVIL, 200))
    assert len(cut(EVIL, 30)) == 30


def run(folder: Path, *words: str, **more: str) -> tuple[str, str, int]:
    done = subprocess.run(
        [sys.executable, "-m", "regmap.cli.main", *words],
        cwd=folder, capture_output=True, check=False, timeout=60,
        env={**os.environ, "PYTHONPATH": str(HOME), "PYTHONIOENCODING": "utf-8", **more},
    )  # fmt: skip
    return done.stdout.decode(), done.stderr.decode(), done.returncode


def test_names_of_files_and_things_typed(tmp_path: Path) -> None:
    lines = [
        ("vet", f"{EVIL}.yaml"), ("encode", "quoll16", EVIL), ("encode", "quoll16", f"{EVIL}=1"), ("decode", "quoll16", EVIL),
        ("explain", "quoll16", f"{EVIL}=1"), ("show", EVIL), ("show", "quoll16", EVIL), ("check", EVIL), ("sweep", "coolant_pump", EVIL),
        ("check", "coolant_pump", "--set", f"{EVIL}=1"), ("capture", EVIL, "--map", "quoll16"), ("header", EVIL, "-o", "x.h"),
        ("header", "quoll16", "-o", f"{EVIL}/x.h"), ("diff", EVIL, EVIL), ("twin", EVIL), ("twin", "quoll16", "--disturbance", EVIL),
        ("link", EVIL, "identify"), ("report", EVIL), ("propose", EVIL), (EVIL,), ("new", "map", f"{EVIL}/x.yaml"), ("compose", EVIL, "--lines"),
    ]  # fmt: skip
    for words in lines:
        out, err, status = run(tmp_path, *words)
        assert status not in (0, 1) or not harmful(out + err), words
        assert not harmful(out + err), words
        assert "Traceback" not in err, words
        assert out + err, words


def test_what_stands_in_files(tmp_path: Path) -> None:
    text = (HOME / "devices" / "quoll16.yaml").read_text(encoding="utf-8")
    (tmp_path / "typed.yaml").write_text(
        text.replace("name: quoll16", f"name: {EVIL}", 1), encoding="utf-8", newline=""
    )
    (tmp_path / "escaped.yaml").write_text(
        text.replace("title: ", 'title: "\\x9b\\u202E\\r\\u200b" #', 1), encoding="utf-8"
    )
    head = "$timescale 1 ns $end $scope module t $end\n"
    names = ("ncs", "sclk", "sdi", "sdo", EVIL.replace(" ", ""))
    head += "".join(f"$var wire 1 {c} {n} $end\n" for c, n in zip("!#%&(", names, strict=True))
    (tmp_path / "a.vcd").write_text(
        head + "$enddefinitions $end\n#0\n1!\n0#\n0%\n0&\n0(\n#100\n0!\n#900\n1!\n",
        encoding="utf-8",
        newline="",
    )
    (tmp_path / "a.csv").write_text(f"time,{EVIL},b\n0,0,1\n1,1,0\n", encoding="utf-8", newline="")
    (tmp_path / "words.txt").write_text(f"{EVIL}\n0x1234\n", encoding="utf-8", newline="")
    lines = [
        ("vet", "typed.yaml"), ("vet", "escaped.yaml"), ("show", "escaped.yaml"), ("capture", "a.vcd", "--map", "quoll16"),
        ("capture", "a.vcd", "--map", "quoll16", "--json"), ("capture", "a.csv", "--map", "quoll16"), ("capture", "words.txt", "--map", "quoll16"),
        ("vet", "quoll16", "--against", "a.csv"),
    ]  # fmt: skip
    for words in lines:
        out, err, _ = run(tmp_path, *words)
        assert not harmful(out + err), (words, harmful(out + err))
        assert "Traceback" not in err, words
        assert out + err, words


@pytest.mark.parametrize("encoding", ["ascii", "latin-1", "cp1252", "utf-8"])
@pytest.mark.one_in(2)
def test_an_output_of_any_encoding(tmp_path: Path, encoding: str) -> None:
    """What an encoding does not have is a number, and JSON stays JSON."""
    done = subprocess.run(
        [sys.executable, "-m", "regmap.cli.main", "show", "quoll16", "--json"],
        cwd=tmp_path, capture_output=True, check=False, timeout=60,
        env={**os.environ, "PYTHONPATH": str(HOME), "PYTHONIOENCODING": encoding},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    assert json.loads(done.stdout.decode(encoding))["schema"]
    for words in (("check", "coolant_pump"), ("show", "quoll16"), ("encode", "quoll16", "é=1")):
        plain = subprocess.run(
            [sys.executable, "-m", "regmap.cli.main", *words],
            cwd=tmp_path, capture_output=True, check=False, timeout=60,
            env={**os.environ, "PYTHONPATH": str(HOME), "PYTHONIOENCODING": encoding},
        )  # fmt: skip
        assert b"Traceback" not in plain.stderr
        assert plain.stdout + plain.stderr
