"""`gateword header`: C tables for the firmware build, from a map or a stage."""

from __future__ import annotations

import argparse
import gc
import re
from collections.abc import Collection, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from regmap.cheader import SECTIONS, Generated, Options, depfile, generate, select
from regmap.chip.model import Chip
from regmap.document.source import read_text
from regmap.errors import CallError
from regmap.maps.load import find_document, load_map

from .context import Context, Status
from .files import write_text

if TYPE_CHECKING:
    from regmap.cheader.sheet import Derived
    from regmap.quantity import Band
    from regmap.stages.load import Stage

NAME = "header"
HELP = "C tables for the firmware build"
DIFF_LINES = 24
_MAP = re.compile(r"^gateword_map\s*:", re.MULTILINE)
_HASH = (
    r"(?<=HASH != )0x\w+|(?<=_HASH )0x\w+|(?<=_HASH_TEXT )\"\w+\"|(?<=tool version: )\w+"
    r"|(?<=content_hash = )0x\w+|(?<=CONTENT_HASH: u32 = )0x\w+"
)


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "file", metavar="STAGE|MAP", help="a stage, or a map alone: a path or a bundled name"
    )
    parser.add_argument(
        "--also",
        metavar="STAGE",
        action="append",
        default=[],
        help="the stage of another position of the daisy chain, of the same map: its tables beside the first",
    )
    parser.add_argument(
        "--variant",
        metavar="STAGE",
        action="append",
        default=[],
        help="another board on the same map: its tables beside the first, one of them chosen when it is compiled "
        "(PREFIX_VARIANT) or when it runs (by number)",
    )
    parser.add_argument(
        "--chain",
        type=int,
        metavar="N",
        help="N chips of this map in a daisy chain (a stage says so itself)",
    )
    parser.add_argument(
        "-o",
        "--output",
        metavar="FILE.h",
        default="-",
        help="the header to write (- or nothing: stdout)",
    )
    parser.add_argument(
        "--source", metavar="FILE.c", help="tables and routines in a source of their own"
    )
    parser.add_argument(
        "--language",
        choices=["c", "cpp", "rust"],
        default="c",
        help="C (c), C++17 (cpp) or Rust without its standard library (rust); one file in the last two",
    )
    parser.add_argument(
        "--self-test",
        metavar="FILE.c",
        help="checks to call on the target: does its compiler do what the header says?",
    )
    parser.add_argument(
        "--prefix",
        default="",
        help="start of every identifier (default: the name of the stage or chip)",
    )
    parser.add_argument(
        "--only",
        metavar="SECTION,...",
        action="append",
        default=[],
        help="these sections, and what they need",
    )
    parser.add_argument(
        "--without",
        metavar="SECTION,...",
        action="append",
        default=[],
        help="all sections but these",
    )
    parser.add_argument(
        "--crc",
        choices=["table", "loop"],
        default="table",
        help="checksum by a table of 256 entries (quick) or bit by bit (small)",
    )
    parser.add_argument(
        "--check",
        action="store_true",
        help="write nothing; exit 1 with a short diff where a file is stale",
    )
    parser.add_argument(
        "--depfile", metavar="FILE.d", help="rules for make and ninja: every file that was read"
    )
    parser.add_argument(
        "--deptarget",
        metavar="NAME",
        help="what those rules build, where it is not FILE.h (a stamp)",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object about what was done")
    parser.epilog = "sections:\n" + "\n".join(
        f"  {name:<10} {text}" for name, (text, _) in SECTIONS.items()
    )


def run(args: argparse.Namespace, context: Context) -> int:
    if args.source and args.output == "-":
        raise CallError("--source needs -o FILE.h, the header that it includes")
    if args.self_test and args.output == "-":
        raise CallError("--self-test needs -o FILE.h, the header that it includes")
    if args.chain is not None and not 1 <= args.chain <= 64:
        raise CallError(f"a chain of {args.chain} chips", "1 to 64")
    for option, instead in (
        ("source", "nothing: all is in the one text"),
        ("variant", "a text for each board, each with a --prefix of its own"),
    ):
        if getattr(args, option) and args.language != "c":
            raise CallError(f"--{option} is for C", f"--language c, or {instead}")
    if args.check and args.output == "-":
        raise CallError("--check needs -o FILE.h, the header to compare with")
    if args.depfile and args.output == "-":
        raise CallError("--depfile needs -o FILE.h, the file that depends")
    if args.deptarget and not args.depfile:
        raise CallError("--deptarget needs --depfile FILE.d, the file that it goes into")
    # a model of thousands of objects that lives until the process ends: looking for garbage, then
    # and at the end, costs a tenth of the whole
    collecting = gc.isenabled()
    gc.disable()
    try:
        source = load(args.file)
        context.reads(source)
        others = [_stage(name, "--also") for name in args.also]
        variants = [_stage(name, "--variant") for name in args.variant]
        for other in (*others, *variants):
            context.reads(other)
        options = with_derived(options_of(args), source, variants)
        if args.language == "c":
            made = generate(source, options, others, variants)
        else:
            made = _other(args, source, options, others)
        tests = _self_test(args, source, options, others, variants) if args.self_test else ""
    finally:
        gc.freeze()
        if collecting:
            gc.enable()
    outputs = {args.output: made.header}
    if made.source is not None:
        outputs[args.source] = made.source
    if args.self_test:
        outputs[args.self_test] = tests
    if args.check:
        return _check(outputs, made, args, context)
    if args.output == "-":
        _notes(made, context)
        context.stdout.write(made.header)
        return Status.OK
    # before anything is written: a file name that make cannot carry is refused
    rules = depfile(args.deptarget or args.output, made.files) if args.depfile else ""
    changed = {
        name: write_text(Path(name), text, only_if_changed=True) for name, text in outputs.items()
    }
    if any(changed.values()):
        _notes(made, context)  # who builds again has read them, and they stand in the header
    if args.depfile:
        write_text(Path(args.depfile), rules, only_if_changed=True)
    if args.json:
        context.json(
            "header",
            files=[{"file": n, "changed": c} for n, c in changed.items()],
            hash=made.hash,
            prefix=made.prefix,
            read=made.files,
            notes=made.notes,
        )
    else:
        for name, new in changed.items():
            context.err(
                f"{name}: {'written' if new else 'unchanged'}, content hash {made.hash[:16]}"
            )
    return Status.OK


def derived_of(source: Stage | Chip, sections: Collection[str] | None) -> Derived:
    """What is worked out of a stage and wanted by these sections (None: all): of a map alone there is nothing.

    Trip currents, and the ways between modes; a way that is not clean has no table.
    """
    from regmap.cheader.sheet import Derived, ModeFollows, ModeWay

    if isinstance(source, Chip):
        return Derived()
    figures: tuple[tuple[str, str, Band], ...] = ()
    if sections is None or "values" in sections:
        from regmap.assessment.figures import trip_currents

        figures = trip_currents(source)
    if not source.modes or (sections is not None and "modes" not in sections):
        return Derived(figures=figures)
    from regmap.assessment.fallback import between_modes

    between = between_modes(source)
    modes = {w.target: source.modes.get(w.target, source) for w in between.ways}
    return Derived(
        figures=figures,
        ways=tuple(
            ModeWay(w.source, w.target, w.actions, w.before, w.controller, modes[w.target])
            for w in between.ways
            if w.ok and not w.by_bring_up
        ),
        follows=tuple(
            ModeFollows(r.mode, r.fault, r.then)
            for r in between.rows
            if r.seen == "only reports" and r.in_time is not None
        ),
        left_out=tuple(
            f"{w.source} to {w.target} is left out: {w.findings[0].text}"
            for w in between.with_findings
        ),
    )


def with_derived(options: Options, source: Stage | Chip, variants: Sequence[Stage] = ()) -> Options:
    """The options with what is worked out of the stage and of its variants."""
    from regmap.cheader.sheet import with_worked_out

    own, *others = (derived_of(s, options.sections) for s in (source, *variants))
    return with_worked_out(options, own, tuple(others))


def _self_test(
    args: argparse.Namespace,
    source: Stage | Chip,
    options: Options,
    others: Sequence[Stage],
    variants: Sequence[Stage],
) -> str:
    include = Path(args.output).name
    if args.language != "c":
        from regmap.cheader.languages import self_test_in

        return self_test_in(args.language, source, options, include, others)
    from regmap.cheader.selftest import self_test  # only where it is asked for

    return self_test(source, options, include, others, variants)


def _other(
    args: argparse.Namespace, source: Stage | Chip, options: Options, others: Sequence[Stage]
) -> Generated:
    from regmap.cheader.languages import generate_in  # not for those who want C

    return generate_in(args.language, source, options, others)


def _stage(name: str, option: str) -> Stage:
    """A stage beside the first. Raises FileError, CallError."""
    found = load(name)
    if isinstance(found, Chip):
        raise CallError(f"{option} {name[:60]} is a map", "a stage")
    return found


def _notes(made: Generated, context: Context) -> None:
    for note in made.notes:
        context.err(f"note: {note}")


def load(name: str) -> Stage | Chip:
    """A stage or a map, told apart by the file's own key. Raises FileError."""
    path = find_document(name)
    if _MAP.search(read_text(path)):
        return load_map(path)
    from regmap.stages.load import load_stage

    return load_stage(path)


def options_of(args: argparse.Namespace) -> Options:
    only, without = _listed(args.only, "--only"), _listed(args.without, "--without")
    return Options(
        prefix=args.prefix,
        sections=select(only, without) if only or without else None,
        split=bool(args.source),
        include=Path(args.output).name if args.source else "",
        crc=args.crc,
        chain=args.chain or 0,
    )


def _listed(texts: Sequence[str], option: str) -> list[str]:
    """The sections that an option names; it names one at least, however often it is given. Raises CallError."""
    found: list[str] = []
    for text in texts:
        names = [n.strip() for n in text.split(",")]
        if not all(names):
            raise CallError(f"{option} {text[:40]!r} names no section", ", ".join(SECTIONS))
        found += names
    return found


def _check(
    outputs: dict[str, str], made: Generated, args: argparse.Namespace, context: Context
) -> int:
    stale = []
    for name, text in outputs.items():
        try:
            old = Path(name).read_text(encoding="utf-8", errors="replace")
        except FileNotFoundError:
            stale.append((name, ["does not exist"]))
            continue
        if old != text:
            stale.append((name, short_diff(old, text, name)))
    if args.json:
        context.json(
            "header-check",
            stale=[{"file": n, "diff": d} for n, d in stale],
            hash=made.hash,
            notes=made.notes,
        )
    else:
        for name, diff in stale:
            for line in diff:
                context.out(line)
            context.out(f"{name}: stale; generate it again from {args.file}")
        if not stale:
            context.out(f"{args.output}: up to date, content hash {made.hash[:16]}")
    return Status.FINDINGS if stale else Status.OK


def short_diff(old: str, new: str, name: str) -> list[str]:
    """What differs beside the content hash, which always does; a few lines of it."""
    before, after = re.sub(_HASH, "", old), re.sub(_HASH, "", new)
    if before == after:
        return [
            "only the content hash differs: an option, the tool's version or a text that is not shown"
        ]
    import difflib

    diff = list(
        difflib.unified_diff(
            before.splitlines(), after.splitlines(), name, "as it would be", n=0, lineterm=""
        )
    )
    more = len(diff) - DIFF_LINES
    return diff[:DIFF_LINES] + ([f"... and {more} more lines"] if more > 0 else [])
