"""Dependency files as make and ninja read them: every name comes back whole, or is refused."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from regmap.cheader import depfile
from regmap.errors import CallError

CARRIED = ["a b", "a#b", "a$b", "$HOME x", "${IFS}x", "a\\b", "ü", "-x", "@x", "!x", "a,b", "a+b"]
REFUSED = ["a:b", "a;b", "A=x;touch PWN;", "a=b", "a|b", "a%b", "a*b", "a?b", "a[b]", "a&b", "a<b", "a>b", "~root",
           "a\tb", "a\nb", "a\rb", "a\\", "a\\ b", "a\\#b", "a\x7fb", "a\u202eb", "$(touch PWN)", "a(b)", "`touch PWN`", "a'b", 'a"b', "a^b"]  # fmt: skip


@pytest.mark.parametrize("name", REFUSED)
def test_what_make_would_take_for_more_is_refused(name: str) -> None:
    for target, files in (("v.h", [name]), (name, ["m.yaml"])):
        with pytest.raises(CallError, match="cannot stand in a dependency file"):
            depfile(target, files)


def test_a_drive_is_no_target() -> None:
    assert "C:/maps/m.yaml" in depfile("v.h", ["C:/maps/m.yaml"])


def run(folder: Path, *words: str) -> str:
    done = subprocess.run(
        words, cwd=folder, capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.mark.parametrize("name", CARRIED)
def test_make_reads_the_very_name(
    tmp_path: Path, name: str, need_tool: Callable[[str], str]
) -> None:
    """Unchanged files build nothing; the named one touched builds once; none of it runs a command."""
    make = need_tool("make")
    (tmp_path / name).write_text("x")
    (tmp_path / "v.d").write_text(depfile("v.h", [name]), encoding="utf-8")
    (tmp_path / "Makefile").write_text("v.h:\n\t@echo built >> log; touch v.h\n-include v.d\n")
    run(tmp_path, make)
    run(tmp_path, make)
    assert (tmp_path / "log").read_text() == "built\n"
    later = (tmp_path / "v.h").stat().st_mtime + 2

    os.utime(tmp_path / name, (later, later))
    run(tmp_path, make)
    assert (tmp_path / "log").read_text() == "built\nbuilt\n"
    (tmp_path / name).unlink()  # a map that is gone asks for a rebuild instead of stopping it
    run(tmp_path, make)
    assert not (tmp_path / "PWN").exists()


@pytest.mark.parametrize("name", CARRIED)
def test_ninja_reads_the_very_name(
    tmp_path: Path, name: str, need_tool: Callable[[str], str]
) -> None:
    ninja = need_tool("ninja")
    (tmp_path / name).write_text("x")
    (tmp_path / "made.d").write_text(depfile("v.h", [name]), encoding="utf-8")
    (tmp_path / "build.ninja").write_text(
        "rule gen\n  command = cp made.d v.d && echo built >> log && touch v.h\n  depfile = v.d\n  deps = gcc\nbuild v.h: gen\n"
    )
    run(tmp_path, ninja)
    run(tmp_path, ninja)
    assert (tmp_path / "log").read_text() == "built\n"
    assert name in run(tmp_path, ninja, "-t", "deps").splitlines()[1:][0].strip()
    assert not (tmp_path / "PWN").exists()
