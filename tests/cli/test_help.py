"""Help that can be tried: every command's examples and every topic's lines are read by the program's own parser, and run where they need no file."""

from __future__ import annotations

import os
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from regmap.cli.examples import EXAMPLES
from regmap.cli.help import TOPICS
from regmap.cli.main import COMMANDS, build_parser

Run = Callable[..., Any]
#: what stands for something of the user's, or would wait for one
NEEDS = (
    "PORT", "driver.", "pump.yaml", "pump_faults", "bench.", "before.html", "after.html", "twin", "compose", "link list",
)  # fmt: skip
LINES = [line for rows in EXAMPLES.values() for line, _ in rows]
LINES += [line for topic in TOPICS.values() for line in topic.lines]
#: with GATEWORD_ALL_RUNS=1 all of these are run; else those that take little time
ALL = os.environ.get("GATEWORD_ALL_RUNS") == "1"
ALONE = sorted({line for line in LINES if not any(n in line for n in NEEDS)})


def test_every_command_has_examples_in_its_help(gateword: Run) -> None:
    assert set(EXAMPLES) == set(COMMANDS)
    for name, rows in EXAMPLES.items():
        said = gateword(name, "--help").out
        assert "examples:" in said
        for line, what in rows:
            assert line in said
            assert what in said
            assert line.startswith(f"gateword {name}")


@pytest.mark.parametrize("line", sorted(set(LINES)))
def test_every_example_is_read_by_the_programs_parser(line: str) -> None:
    words = shlex.split(line)[1:]
    args, extra = build_parser(words[0]).parse_known_args(words)
    assert args.command == words[0]
    assert not [e for e in extra if e.startswith("-")]


@pytest.mark.parametrize(
    "line",
    ALONE
    if ALL
    else [a for a in ALONE if a.split()[1] in ("show", "encode", "decode", "schema", "vet")],
)
def test_what_needs_no_file_of_ones_own_runs_as_it_stands(
    gateword: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, line: str
) -> None:
    monkeypatch.chdir(tmp_path)
    if "--check" in line:
        gateword("header", "coolant_pump", "-o", "pump.h")
    result = gateword(*shlex.split(line)[1:])
    assert result.status in (0, 1), result
    assert result.out or result.err


def test_many_examples_run() -> None:
    assert len(ALONE) >= 30


def test_the_ideas_are_told_topic_by_topic(gateword: Run) -> None:
    listed = gateword("help").out
    for name in ("map", "stage", "verdict", "margin", "corner", "bring-up"):
        assert name in TOPICS
    for name, topic in TOPICS.items():
        assert f"  {name} " in listed
        said = gateword("help", name).out
        assert topic.title in " ".join(said.split())
        assert all(line in said for line in topic.lines)
        assert set(topic.also) <= set(TOPICS)
        assert max(map(len, said.splitlines())) <= 80
    assert "usage: gateword check" in gateword("help", "check").out
    refused = gateword("help", "cornr")
    assert (refused.status, "nearest: corner" in refused.err) == (2, True)
