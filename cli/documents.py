"""Maps and stages that commands read: a path, a bundled name, or `-` for standard input."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from regmap.errors import FileError, Problem

from .context import Context

if TYPE_CHECKING:
    from regmap.chip.model import Chip
    from regmap.document.source import Node
    from regmap.stages.load import Stage

#: How messages call what came that way; files named in it are looked for in the working directory.
STDIN = Path("standard input")


def standard_input(context: Context) -> str:
    """All of standard input as the text of a document. Raises FileError where it is none."""
    from regmap.budgets import limit
    from regmap.document.source import decode_text

    data = context.binary_stdin.read(limit("bytes") + 1)
    return decode_text(str(STDIN), data.encode() if isinstance(data, str) else data)


def load_chip(name: str, context: Context) -> Chip:
    """The chip of a map. Raises FileError with every error found."""
    from regmap.maps.load import load_map, read_map

    if name != "-":
        chip = load_map(name)
        context.reads(chip)
        return chip
    read, problems = read_map(STDIN, text=standard_input(context))
    if read is None:
        raise FileError([p for p in problems if p.severity == "error"])
    context.reads(read)
    return read


def add_mode(
    parser: argparse.ArgumentParser,
    *others: str,
    text: str = "the stage in one of its modes, not as stated",
) -> None:
    """The option `--drive-mode` of a command that reads a stage; `text` says what it does there."""
    parser.add_argument(
        "--drive-mode",
        *others,
        metavar="MODE",
        dest="drive_mode",
        default="",
        help=text,
    )


def load_stage_of(name: str, context: Context, mode: str = "") -> Stage:
    """The stage (or a mode of it) of a file or of standard input. Raises FileError with every error found,
    CallError for an unknown mode."""
    from regmap.stages.load import in_mode, load_stage, read_stage

    if name != "-":
        stage = load_stage(name, mode)
        context.reads(stage)
        return stage
    read, problems = read_stage(STDIN, text=standard_input(context))
    if read is None:
        raise FileError([p for p in problems if p.severity == "error"])
    context.reads(read)
    return in_mode(read, mode)


def kind_of_node(node: Node) -> str:
    """ "stage", "map" or "setup", by the document's own format key."""
    from regmap.document.source import MappingNode, ScalarNode

    if isinstance(node, MappingNode):
        keys = {k.value for k, _ in node.value if isinstance(k, ScalarNode)}
        if "gateword_part" in keys:
            return "part"
        if "gateword_stage" in keys or {"settings", "mosfet"} & keys:
            return "stage"
        if "gateword_setup" in keys:
            return "setup"
    return "map"


def problem_json(problem: Problem) -> dict[str, object]:
    """One problem with its place, as JSON tells it."""
    place = problem.place
    return {
        "file": place.file,
        "line": place.line,
        "column": place.column,
        "severity": problem.severity,
        "found": problem.found,
        "expected": problem.expected,
        "nearest": problem.nearest,
        "path": problem.path,
    }
