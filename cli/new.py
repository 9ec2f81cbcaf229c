"""`gateword new`: a commented starting map or stage, or a folder with all that a drive needs."""

from __future__ import annotations

import argparse
import os
import re
from pathlib import Path

from regmap.errors import CallError
from regmap.formerly import said

from .context import Context, Status
from .files import write_text

NAME = "new"
HELP = "write a commented starting map or stage, or a project's folder"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("kind", choices=["map", "stage", "project"], help="what to write")
    parser.add_argument(
        "-o",
        "--output",
        metavar="FILE",
        help="the file to write (- or nothing: standard output)",
    )
    # where the file's name stood before it had an option
    parser.add_argument("file", nargs="?", metavar="DIR", help="project: the folder to make")
    parser.add_argument(
        "--map",
        metavar="MAP",
        help="stage: the map it uses (quoll16); project: a map of your own instead of the worked example",
    )
    parser.add_argument(
        "--from",
        dest="sources",
        metavar="SOURCE",
        action="append",
        default=[],
        help="map: take it over from a data sheet or tables (PDF, XLSX, CSV, TSV, HTML, Markdown, pasted text, IEEE 1685, SystemRDL); may be given several times",
    )
    parser.add_argument(
        "--pages", default="", metavar="PAGES", help="of --from: which pages of a PDF, as 31-44,50"
    )
    parser.add_argument(
        "--update",
        metavar="SOURCE",
        action="append",
        default=[],
        help="of --from: the older revision that the map in -o FILE came from; your own edits stay",
    )
    parser.add_argument(
        "--pages-before", metavar="PAGES", help="of --update: the pages in the older revision"
    )
    parser.add_argument(
        "--ask",
        action="store_true",
        help="of --from: walk through the doubts, worst first; otherwise nothing is asked",
    )
    parser.add_argument("--force", action="store_true", help="replace a file that is there")


def _called(file: str) -> str:
    """The file's own name where a chip or a stage can be called so."""
    stem = Path(file).stem
    return stem if re.fullmatch(r"[A-Za-z][A-Za-z0-9_\-]*", stem) else ""


def _beside(name: str, file: str) -> str:
    """The map as a stage in that file must call it: a path counts from the stage's folder, not from here."""
    if file == "-" or not Path(name).is_file() or Path(name).is_absolute():
        return name
    return Path(os.path.relpath(name, Path(file).parent)).as_posix()


def run(args: argparse.Namespace, context: Context) -> int:
    if args.kind == "project":
        return _project(args, context)
    args.map = args.map or "quoll16"
    if args.file is not None and args.output is not None:
        raise CallError(f"{args.file[:40]!r} is one argument too many beside -o")
    if args.file is not None:
        context.err(f"gateword: {said(f'new {args.kind} FILE', f'new {args.kind} -o FILE')}")
    args.file = args.output or args.file or "-"
    if args.sources and args.kind != "map":
        raise CallError(f"new {args.kind} --from: only a map is taken over from sources")
    if (args.update or args.ask) and not args.sources:
        raise CallError(f"--{'update' if args.update else 'ask'} is of --from", "--from SOURCE")
    if args.pages and not args.sources:
        raise CallError("--pages is of a PDF", "--from SOURCE.pdf beside it")
    if args.sources:
        from .newfrom import run_from

        return run_from(args, _called(args.file) or "mychip", context)
    if args.kind == "map":
        from regmap.maps.new import new_map

        text = new_map(_called(args.file) or "mychip")
    else:
        from regmap.stages.new import new_stage

        text = new_stage(
            args.map, name=_called(args.file) or "my_stage", written=_beside(args.map, args.file)
        )
    if args.file == "-":
        context.stdout.write(text)
        return Status.OK
    path = Path(args.file)
    if path.exists() and not args.force:
        raise CallError(f"{path} is there already", "a new name, or --force")
    write_text(path, text)
    context.err(f"wrote {path}; next: gateword vet {path}")
    return Status.OK


def _project(args: argparse.Namespace, context: Context) -> int:
    """A folder with map, stage, Makefile, CI script and README; nothing is written into one that holds files."""
    folder = Path(args.file or args.output or "")
    if not folder.name:
        raise CallError("new project: no folder given", "a folder to make, as in new project pump")
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())) and not args.force:
        raise CallError(f"{folder} is there already, and not empty", "a new name, or --force")
    from regmap.cautions import CAUTION
    from regmap.stages.project import new_project

    files = new_project(folder.name, CAUTION, args.map or "")
    for name, text in files.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        write_text(path, text)
        if name.endswith(".sh"):
            path.chmod(path.stat().st_mode | 0o111)
    context.err(
        f"wrote {len(files)} files to {folder}; next: cd {folder} && make, and read its README.md"
    )
    return Status.OK
