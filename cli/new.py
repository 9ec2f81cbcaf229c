"""`gateword new`: a commented starting map or stage."""

from __future__ import annotations

import argparse
from pathlib import Path

from regmap.errors import CallError

from .context import Context, Status
from .files import write_text

NAME = "new"
HELP = "write a commented starting map or stage"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("kind", choices=["map", "stage"], help="what to write")
    parser.add_argument("file", metavar="FILE", help="where to; - is standard output")
    parser.add_argument("--map", metavar="MAP", default="quoll16", help="stage: the map it uses (quoll16)")
    parser.add_argument("--force", action="store_true", help="replace a file that is there")


def run(args: argparse.Namespace, context: Context) -> int:
    if args.kind == "map":
        from regmap.newfile import new_map

        text = new_map()
    else:
        from regmap.newstage import new_stage

        text = new_stage(args.map)
    if args.file == "-":
        context.stdout.write(text)
        return Status.OK
    path = Path(args.file)
    if path.exists() and not args.force:
        raise CallError(f"{path} is there already; expected a new name, or --force")
    write_text(path, text)
    context.err(f"wrote {path}; next: gateword vet {path}")
    return Status.OK
