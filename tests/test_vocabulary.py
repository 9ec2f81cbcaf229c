"""One word for one thing: old names live in one table, are accepted with a note, and stand nowhere else."""

from __future__ import annotations

import argparse
import io
from collections.abc import Iterator

import pytest

from regmap import formerly
from regmap.cli.context import Context
from regmap.cli.main import COMMANDS, build_parser, main


def parsers(
    parser: argparse.ArgumentParser, name: str
) -> Iterator[tuple[str, argparse.ArgumentParser]]:
    """A command's parser and those of its actions."""
    yield name, parser
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for below, sub in action.choices.items():
                yield from parsers(sub, f"{name} {below}")


def command(name: str) -> argparse.ArgumentParser:
    [action] = [a for a in build_parser(name)._actions if isinstance(a, argparse._SubParsersAction)]
    return action.choices[name]


def run(*arguments: str, stdin: str = "") -> tuple[int, str, str]:
    context = Context(
        stdin=io.StringIO(stdin), stdout=io.StringIO(), stderr=io.StringIO(), environ={}
    )
    status = main(list(arguments), context)
    assert isinstance(context.stdout, io.StringIO)
    assert isinstance(context.stderr, io.StringIO)
    return status, context.stdout.getvalue(), context.stderr.getvalue()


@pytest.mark.parametrize("name", COMMANDS)
def test_no_command_offers_an_old_option(name: str) -> None:
    old = formerly.OPTIONS.get(name, {})
    offered = {
        o for _, p in parsers(command(name), name) for a in p._actions for o in a.option_strings
    }
    assert not offered & set(old)
    assert set(old.values()) <= offered


@pytest.mark.parametrize("name", COMMANDS)
def test_one_output_option(name: str) -> None:
    """What a command writes is named by -o; options that only permit something cannot be taken for it."""
    for where, parser in parsers(command(name), name):
        options = {o: a for a in parser._actions for o in a.option_strings}
        assert not {"--write", "--out", "--record"} & set(options), where
        if "-o" in options:
            assert options["-o"].option_strings == ["-o", "--output"]


@pytest.mark.parametrize(
    ("given", "now", "notes"),
    [
        (["propose", "x", "--write", "y"], ["propose", "x", "-o", "y"], ["--write is now called -o"]),
        (["propose", "x", "--write=y"], ["propose", "x", "-o", "y"], ["--write is now called -o"]),
        (["twin", "m", "--inject=a", "--trouble", "b"], ["twin", "m", "--disturbance=a", "--disturbance", "b"], ["--inject is now called --disturbance", "--trouble is now called --disturbance"]),
        (["link", "p", "apply", "s", "--write", "--record", "f"], ["link", "p", "apply", "s", "--allow-writes", "--log", "f"], ["--write is now called --allow-writes", "--record is now called --log"]),
        (["propose", "--", "--write"], ["propose", "--", "--write"], []),
        (["check", "x", "--write"], ["check", "x", "--write"], []),
        (["check", "x", "--only", "thin"], ["check", "x", "--only", "low-margin"], ["thin is now called low-margin"]),
        (["check", "x", "--only=thin"], ["check", "x", "--only=low-margin"], ["thin is now called low-margin"]),
    ],
)  # fmt: skip
def test_an_old_option_is_read_as_the_new_one(
    given: list[str], now: list[str], notes: list[str]
) -> None:
    assert formerly.arguments(given[0], given) == (now, notes)


def test_the_program_says_the_new_name() -> None:
    status, out, err = run("twin", "quoll16", "--list", "--trouble", "echo")
    assert status == 0
    assert "disturbances of the SPI" in out
    assert err == "gateword: --trouble is now called --disturbance\n"
