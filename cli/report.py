"""`gateword report`: a review record of a stage as one HTML file."""

from __future__ import annotations

import argparse
from pathlib import Path

from regmap.errors import CallError
from regmap.report import review
from regmap.stages.identity import identity

from .check import stage_with
from .context import Context, Status, wrap
from .files import write_text

NAME = "report"
HELP = "a review record of a stage as one HTML file"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("stage", metavar="STAGE", help="a stage: a path or a bundled name")
    parser.add_argument(
        "capture", metavar="CAPTURE", nargs="?", help="a logic capture to hold against the stage"
    )
    parser.add_argument(
        "--campaign",
        metavar="RESULTS",
        help="results of a fault-injection campaign on this stage: what `campaign -o RESULTS` wrote",
    )
    parser.add_argument(
        "-o",
        "--output",
        metavar="FILE",
        help="the page to write (- or, away from a terminal, nothing: standard output)",
    )
    parser.add_argument(
        "--date",
        default="",
        help="a date to print; without it the record holds none, and stays the same",
    )
    parser.add_argument(
        "--unfold", action="store_true", help="every derivation stands open, for paper"
    )
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help="with this instead of the stage's: a setting (REG.FIELD=VALUE) or an input (supply.max=18V)",
    )
    parser.add_argument(
        "--json", action="store_true", help="one JSON object about what was found; needs -o FILE"
    )


def run(args: argparse.Namespace, context: Context) -> int:
    target = args.output
    if target is None and (context.stdout.isatty() or args.json):
        raise CallError("-o FILE is needed: the page is HTML")
    if target == "-" and args.json:
        raise CallError("--json needs -o FILE, as the page would stand on the same stream")
    stage = stage_with(args.stage, args.set, context)
    record = review(stage, args.capture, campaign=args.campaign, date=args.date, unfold=args.unfold)
    if target in (None, "-"):
        context.stdout.write(record.html)
    else:
        write_text(Path(target), record.html)
        context.err(f"wrote {target}")
    if args.json:
        context.json(
            "report",
            stage=stage.name,
            file=target,
            identity=identity(stage).json(),
            counts=record.counts,
            findings=record.findings,
        )
    else:
        for finding in record.findings:
            context.err(wrap(finding, context.width, hang="  "))
    return Status.OK if record.clean else Status.FINDINGS
