"""`gateword vet`: check maps, stages and set-ups, prove known frames, lint a hand-written header."""

from __future__ import annotations

import argparse
import json
import re
from pathlib import Path
from typing import TYPE_CHECKING

from regmap.document.source import compose_file, read_text
from regmap.errors import CallError, FileError, Problem, told
from regmap.maps.load import find_document
from regmap.maps.vet import check_map
from regmap.quantity import many
from regmap.stages.load import read_stage

from .context import Context, Status, wrap
from .documents import (
    STDIN,
    kind_of_node,
    load_chip,
    load_stage_of,
    problem_json,
    standard_input,
)
from .files import write_text
from .sarif import sarif

if TYPE_CHECKING:
    from regmap.maps.checkbits import Solved

NAME = "vet"
#: rules by which SARIF tells findings apart
DOCUMENT, HEADER = "gateword/document", "gateword/header"
HELP = "check (validate) maps, stages and set-ups of captures; problems as file:line:col"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "files",
        nargs="*",
        metavar="FILE",
        help="a map, a stage or a set-up of a capture: a path, a bundled name, or - for standard input",
    )
    parser.add_argument(
        "--against",
        metavar="FILE.h",
        help="compare a hand-written header with the map, or with that of a stage",
    )
    parser.add_argument(
        "--define",
        "-D",
        action="append",
        metavar="NAME[=VALUE]",
        help="of --against: a macro that the build defines, for the conditions of the header (may be repeated)",
    )
    parser.add_argument(
        "--data-model",
        choices=["ILP32", "LP64", "IP16", "LLP64"],
        help="of --against: how wide the compiler's types are (IP16: an int of 16 bits); without it ILP32, or where that leaves "
        "findings that come of the width of types the one that leaves the fewest",
    )
    parser.add_argument(
        "--schema",
        choices=["map", "stage", "setup", "capture"],
        nargs="?",
        const="map",
        help="print the JSON Schema that editors complete and underline with; capture: of the lines of capture --json",
    )
    parser.add_argument(
        "--solve",
        action="store_true",
        help="find every parity and checksum that explains the known frames of a map",
    )
    parser.add_argument(
        "--patch",
        metavar="FILE",
        help="of --against: write what puts findings right as a patch (- for standard output)",
    )
    parser.add_argument(
        "--sarif",
        metavar="FILE",
        help="write the findings as SARIF (OASIS) for code review (- for standard output)",
    )
    parser.add_argument("--strict", action="store_true", help="warnings count as findings")
    parser.add_argument("--quiet", action="store_true", help="no warnings")
    parser.add_argument("--json", action="store_true", help="one JSON object")


def kind_of(path: Path) -> str:
    """ "stage", "map" or "setup", by the file's own format key."""
    return kind_of_node(compose_file(path).node)


def problems_of(name: str, context: Context) -> tuple[list[Problem], str]:
    """Every problem of one file (or of standard input, `-`), and lines that say what it holds."""
    text = None
    try:
        if name == "-":
            path, text = STDIN, standard_input(context)
        else:
            path = find_document(name)
        kind = kind_of_node(compose_file(path, text).node)
    except FileError as error:
        return list(error.problems), ""
    if kind == "part":
        from regmap.stages.layers import read_part

        part, problems = read_part(path, text)
        return problems, f"part {part}" if part else ""
    if kind == "stage":
        stage, problems = read_stage(path, text=text)
        if stage is None:
            return problems, ""
        from .check import rounded

        context.reads(stage)
        count = len(stage.settings)
        return problems, "\n".join(
            [
                f"stage {stage.name} on {stage.chip.name}, {many(count, 'setting')}",
                *rounded(stage),
            ]
        )
    if kind == "setup" or path.name.endswith(".setup.yaml"):
        from regmap.capture.setupfile import read_setup

        setup, problems = read_setup(path, text=text)
        return problems, "" if setup is None else "set-up of a capture"
    chip, problems = check_map(path, text=text)
    if chip is None:
        return problems, ""
    context.reads(chip)
    fields = sum(len(r.fields) for r in chip.registers.values())
    proven = len(chip.known_frames)
    summary = (
        f"map {chip.name}: {len(chip.registers)} registers, {fields} fields, {len(chip.faults)} faults, "
        f"{many(proven, 'known frame')} proven"
    )
    return problems, "" if any(p.severity == "error" for p in problems) else summary


def run(args: argparse.Namespace, context: Context) -> int:
    if args.schema:
        if args.schema == "stage":
            from regmap.stages.grammar import json_schema
        elif args.schema == "setup":
            from regmap.capture.setupfile import json_schema
        elif args.schema == "capture":
            from .captureschema import capture_schema as json_schema
        else:
            from regmap.maps.grammar import json_schema
        context.out(json.dumps(json_schema(), indent=1))
        return Status.OK
    if not args.files:
        context.err("gateword vet: no file given; expected a map or a stage (or --schema)")
        return Status.USAGE
    if args.patch and not args.against:
        raise CallError("--patch is of a header", "--against FILE.h beside it")
    # one document and nothing else goes to standard output
    whole = [n for n, a in (("--patch -", args.patch == "-"), ("--sarif -", args.sarif == "-"), ("--json", args.json)) if a]  # fmt: skip
    if len(whole) > 1:
        raise CallError(f"{' and '.join(whole)}: both on standard output", "a file for one of them")
    if args.against:
        return _against(args, context)
    if args.solve:
        return _solve(args, context)
    errors = warnings = 0
    unreadable = False
    rows = []
    every: list[Problem] = []
    for name in args.files:
        problems, summary = problems_of(name, context)
        shown = [p for p in problems if p.severity == "error" or not args.quiet]
        errors += sum(p.severity == "error" for p in problems)
        warnings += sum(p.severity == "warning" for p in problems)
        unreadable = unreadable or any(p.place.line == 0 for p in problems)
        every += shown
        rows.append(
            {"file": name, "summary": summary, "problems": [problem_json(p) for p in shown]}
        )
        if args.json or args.sarif == "-":
            continue
        for problem in shown:
            context.out(problem.render(context.width))
        if summary:
            first, *notes = summary.splitlines()
            called = STDIN if name == "-" else name
            text = wrap(f"{called}: sound: {first}", context.width, hang="  ")
            context.out(text.replace("sound", context.style("sound", "good"), 1))
            for note in notes:
                context.out(wrap(note, context.width, "  ", "    "))
    if args.sarif:
        _write(args.sarif, sarif(every, {DOCUMENT: HELP}, DOCUMENT), context)
    if args.json:
        context.json("vet", files=rows, errors=errors, warnings=warnings)
    elif args.sarif != "-" and (errors or (warnings and not args.quiet)):
        context.out(f"{many(errors, 'error')}, {many(warnings, 'warning')}")
    if unreadable:
        return Status.USAGE
    return Status.FINDINGS if errors or (args.strict and warnings) else Status.OK


def _write(where: str, text: str, context: Context) -> None:
    if where == "-":
        context.stdout.write(text)
    else:
        write_text(Path(where), text)


def _solve(args: argparse.Namespace, context: Context) -> int:
    """The check bits of each map from its known frames; findings where nothing explains some of them."""
    from regmap.maps.checkbits import solve_checks

    rows = []
    unexplained = False
    for name in args.files:
        chip, problems = check_map(name)
        if chip is not None:
            context.reads(chip)
        if chip is None:
            for problem in problems:
                context.out(problem.render(context.width))
            return Status.FINDINGS
        found = solve_checks(chip)
        unexplained = unexplained or any(not s.solution.readings for s in found)
        rows.append({"file": name, "checks": [_solved_json(s) for s in found]})
        if args.json:
            continue
        if not found:
            context.out(f"{name}: no known frame has a check part; nothing to solve")
        for solved in found:
            first, *others = solved.lines()
            context.out(wrap(first, context.width, hang="    "))
            for line in others:
                context.out(wrap(line, context.width, "  ", "    "))
    if args.json:
        context.json("vet-solve", files=rows)
    return Status.FINDINGS if unexplained else Status.OK


def _solved_json(solved: Solved) -> dict[str, object]:
    found = solved.solution
    return {
        "part": solved.path,
        "examples": found.examples,
        "as_in_map": solved.right,
        "readings": [
            {"keys": r.text(), "same": list(r.same), "not_covered": list(r.dropped)}
            for r in found.readings
        ],
        "more_examples": found.more,
        "never_differs": list(found.open),
        "subsets_log2": found.subsets,
    }


def _macro(text: str) -> tuple[str, str]:
    """NAME or NAME=VALUE as a compiler's -D has it."""
    name, given, value = text.partition("=")
    if not re.fullmatch(r"[A-Za-z_]\w*", name) or "\n" in value:
        raise CallError(f"--define {text}", "NAME or NAME=VALUE, the name of a macro")
    return name, value if given else "1"


def _against(args: argparse.Namespace, context: Context) -> int:
    from regmap.lint.fixes import as_patch
    from regmap.lint.header import lint
    from regmap.lint.includes import beside
    from regmap.lint.integers import DATA_MODELS
    from regmap.lint.mending import put_right

    name = args.files[0]
    if name != "-" and kind_of(find_document(name)) == "stage":
        chip = load_stage_of(name, context).chip
    else:
        chip = load_chip(name, context)
    path = Path(args.against)
    text = read_text(path)
    given = dict(_macro(d) for d in args.define or ())
    opener = beside(path, read_text)
    model = args.data_model or ""
    if args.patch or args.sarif:
        done = put_right(chip, text, str(path), opener, given, model)
        result = done.before
    else:
        result = lint(chip, text, str(path), opener, given, model)
    if args.patch:
        patches = [
            as_patch(Path(file).as_posix().lstrip("/"), old, done.texts[file])
            for file, old in result.texts.items()
        ]
        _write(args.patch, "".join(patches), context)
        count = len(result.problems)
        context.err(
            f"{count - len(done.after.problems)} of {many(count, 'finding')} put right by the patch"
        )
    if args.sarif:
        rule = {HEADER: "a header written by hand says what the map says"}
        _write(args.sarif, sarif(result.problems, rule, HEADER, done.fixes_of), context)
    widths = DATA_MODELS[result.model]
    if args.json:
        context.json(
            "vet-against",
            file=str(path),
            problems=[problem_json(p) for p in result.problems],
            read=result.read,
            unread=result.unread,
            skipped=[problem_json(p) for p in result.skipped],
            data_model=result.model,
            by_data_model=result.by_model,
        )
    elif "-" not in (args.patch, args.sarif):
        for problem in result.problems:
            context.out(problem.render(context.width))
        for problem in result.skipped:
            what = told(f"not compared: {problem.found}", nearest=problem.nearest)
            context.out(f"{problem.place}: {what}")
        if result.by_model:
            context.out(
                f"{path}: read with an int of {widths.int_bits} and a long of {widths.long_bits} bits ({result.model}), by which the "
                "most is read and the least is found; by others more is (--data-model says which)"
            )
        context.out(
            f"{path}: {result.read} definitions compared, {result.unread} not understood, {len(result.problems)} findings"
        )
    bad = [p for p in result.problems if args.strict or p.severity == "error"]
    return Status.FINDINGS if bad else Status.OK
