"""`gateword header`: C tables for the firmware build, from a map or a stage."""

from __future__ import annotations

import argparse
import difflib
import os
import re
import tempfile
from pathlib import Path

from regmap.cheader import SECTIONS, Generated, Options, depfile, generate, select
from regmap.errors import CallError
from regmap.mapfile import find_document, load_map
from regmap.model import Chip
from regmap.source import MappingNode, ScalarNode, compose, read_text
from regmap.stagefile import Stage, load_stage

from .context import Context, Status

NAME = "header"
HELP = "C tables for the firmware build"
DIFF_LINES = 24
_HASH = re.compile(r"(?<=HASH != )0x\w+|(?<=_HASH )0x\w+|(?<=_HASH_TEXT )\"\w+\"|(?<=tool version: )\w+")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="STAGE|MAP", help="a stage, or a map alone: a path or a shipped name")
    parser.add_argument("-o", "--output", metavar="FILE.h", default="-", help="the header to write (- or nothing: stdout)")
    parser.add_argument("--source", metavar="FILE.c", help="tables and routines in a source of their own")
    parser.add_argument("--prefix", default="", help="start of every identifier (default: the name of the stage or chip)")
    parser.add_argument("--only", metavar="SECTION,...", action="append", default=[], help="these sections, and what they need")
    parser.add_argument("--without", metavar="SECTION,...", action="append", default=[], help="all sections but these")
    parser.add_argument("--crc", choices=["table", "loop"], default="table",
                        help="checksum by a table of 256 entries (quick) or bit by bit (small)")
    parser.add_argument("--check", action="store_true", help="write nothing; exit 1 with a short diff where a file is stale")
    parser.add_argument("--depfile", metavar="FILE.d", help="rules for make and ninja: every file that was read")
    parser.add_argument("--deptarget", metavar="NAME", help="what those rules build, where it is not FILE.h (a stamp)")
    parser.add_argument("--json", action="store_true", help="one JSON object about what was done")
    parser.epilog = "sections:\n" + "\n".join(f"  {name:<10} {text}" for name, (text, _) in SECTIONS.items())


def run(args: argparse.Namespace, context: Context) -> int:
    if args.source and args.output == "-":
        raise CallError("--source needs -o FILE.h, the header that it includes")
    if args.check and args.output == "-":
        raise CallError("--check needs -o FILE.h, the header to compare with")
    if args.depfile and args.output == "-":
        raise CallError("--depfile needs -o FILE.h, the file that depends")
    if args.deptarget and not args.depfile:
        raise CallError("--deptarget needs --depfile FILE.d, the file that it goes into")
    source = load(args.file)
    made = generate(source, options_of(args))
    outputs = {args.output: made.header}
    if made.source is not None:
        outputs[args.source] = made.source
    for note in made.notes:
        context.err(f"note: {note}")
    if args.check:
        return _check(outputs, made, args, context)
    if args.output == "-":
        context.stdout.write(made.header)
        return Status.OK
    changed = {name: write_changed(Path(name), text) for name, text in outputs.items()}
    if args.depfile:
        write_changed(Path(args.depfile), depfile(args.deptarget or args.output, made.files))
    if args.json:
        context.json("header", files=[{"file": n, "changed": c} for n, c in changed.items()],
                     hash=made.hash, prefix=made.prefix, read=made.files, notes=made.notes)
    else:
        for name, new in changed.items():
            context.err(f"{name}: {'written' if new else 'unchanged'}, content hash {made.hash[:16]}")
    return Status.OK


def load(name: str) -> Stage | Chip:
    """A stage or a map, told apart by the file's own key. Raises FileError."""
    path = find_document(name)
    node = compose(str(path), read_text(path)).node
    keys = {k.value for k, _ in node.value if isinstance(k, ScalarNode)} if isinstance(node, MappingNode) else set()
    if "gateword_map" in keys:
        return load_map(path)
    return load_stage(path)


def options_of(args: argparse.Namespace) -> Options:
    only = [n.strip() for text in args.only for n in text.split(",") if n.strip()]
    without = [n.strip() for text in args.without for n in text.split(",") if n.strip()]
    return Options(
        prefix=args.prefix,
        sections=select(only, without) if only or without else None,
        split=bool(args.source),
        include=Path(args.output).name if args.source else "",
        crc=args.crc,
    )


def write_changed(path: Path, text: str) -> bool:
    """Write by way of a temporary file, and only where the content differs; whether it did."""
    data = text.encode("utf-8")
    try:
        if path.read_bytes() == data:
            return False
    except FileNotFoundError:
        pass
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}.")
    try:
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
        # mkstemp makes files private; a header is for everybody whom the umask lets read
        mask = os.umask(0)
        os.umask(mask)
        Path(temporary).chmod(0o666 & ~mask)
        Path(temporary).replace(path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
    return True


def _check(outputs: dict[str, str], made: Generated, args: argparse.Namespace, context: Context) -> int:
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
        context.json("header-check", stale=[{"file": n, "diff": d} for n, d in stale], hash=made.hash, notes=made.notes)
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
    before, after = _HASH.sub("", old), _HASH.sub("", new)
    if before == after:
        return ["only the content hash differs: a comment in a file, an option or the tool's version"]
    diff = list(difflib.unified_diff(before.splitlines(), after.splitlines(), name, "as it would be", n=0, lineterm=""))
    more = len(diff) - DIFF_LINES
    return diff[:DIFF_LINES] + ([f"... and {more} more lines"] if more > 0 else [])
