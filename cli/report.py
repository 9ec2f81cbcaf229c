"""`gateword report`: a review record of a stage as one HTML file."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from pathlib import Path

from regmap import __version__
from regmap.cautions import CAUTION
from regmap.errors import CallError
from regmap.report import (
    RecordComparison,
    ReviewRecord,
    compare_records,
    review,
    trace_csv,
    trace_reqif,
)
from regmap.stages.identity import identity
from regmap.stages.load import Stage

from .check import add_set, stage_with
from .context import Context, Status, columns, wrap
from .documents import add_mode
from .files import write_text

NAME = "report"
HELP = "a review record of a stage as one HTML file"
#: no record is longer
MOST = 64_000_000


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "stage", metavar="STAGE", help="a stage: a path or a bundled name; or a record to compare"
    )
    parser.add_argument(
        "capture",
        metavar="CAPTURE",
        nargs="?",
        help="a logic capture to hold against the stage; or the other record",
    )
    parser.add_argument(
        "--campaign",
        metavar="RESULTS",
        help="results of a fault-injection campaign on this stage: what `campaign -o RESULTS` wrote",
    )
    parser.add_argument(
        "--variant",
        metavar="STAGE",
        action="append",
        default=[],
        help="another board beside this one: what differs, and every check in both; once for each",
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
    add_set(parser)
    add_mode(parser)
    parser.add_argument(
        "--trace",
        metavar="FILE",
        help="the trace from requirements to settings, verdicts and evidence: .csv, or .reqif (OMG ReqIF)",
    )
    parser.add_argument(
        "--json", action="store_true", help="one JSON object about what was found; needs -o FILE"
    )


def run(args: argparse.Namespace, context: Context) -> int:
    if _is_record(args.stage):
        return _compare(args, context)
    target = args.output
    if target is None and (context.stdout.isatty() or args.json):
        raise CallError("-o FILE is needed: the page is HTML")
    if target == "-" and args.json:
        raise CallError("--json needs -o FILE, as the page would stand on the same stream")
    stage = stage_with(args.stage, args.set, context, args.drive_mode)
    if args.trace:
        _need_trace(stage, args.trace)
    variants = [stage_with(name, [], context) for name in args.variant]
    record = review(
        stage,
        args.capture,
        campaign=args.campaign,
        variants=variants,
        date=args.date,
        unfold=args.unfold,
    )
    if target in (None, "-"):
        context.stdout.write(record.html)
    else:
        write_text(Path(target), record.html)
        context.err(f"wrote {target}")
    if args.trace:
        write_text(Path(args.trace), _trace(record, stage, args))
        context.err(f"wrote {args.trace}")
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


def _need_trace(stage: Stage, path: str) -> None:
    """A trace that cannot be made is refused before the record is worked out and written. Raises CallError."""
    if Path(path).suffix.lower() not in (".csv", ".reqif"):
        raise CallError(f"--trace {path!r} ends in neither .csv nor .reqif", "one of them")
    if not stage.requirements:
        raise CallError(
            f"{stage.name} names no requirement",
            "the key `requirement` (gateword help requirement)",
        )


def _trace(record: ReviewRecord, stage: Stage, args: argparse.Namespace) -> str:
    """The trace in the format that the file's ending asks for."""
    if Path(args.trace).suffix.lower() == ".csv":
        return trace_csv(record.trace)
    return trace_reqif(
        record.trace,
        title=f"{stage.name} on {stage.chip.name}",
        comment=f"{identity(stage)}. {CAUTION}",
        tool=f"gateword {__version__}",
    )


# --- two records ----------------------------------------------------------------------------------
def _is_record(name: str) -> bool:
    path = Path(name)
    return path.suffix.lower() in (".html", ".htm") and path.is_file()


def _compare(args: argparse.Namespace, context: Context) -> int:
    """What changed between two records; status 1 where anything did."""
    if not args.capture or not _is_record(args.capture):
        raise CallError(f"{args.stage} is a record", "a second one to compare it with, or a stage")
    texts = [_read(name) for name in (args.stage, args.capture)]
    found = compare_records(*texts)
    if args.json:
        context.json(
            "report-comparison",
            files=[args.stage, args.capture],
            same=found.same,
            facts=[{"name": n, "from": a, "to": b} for n, a, b in found.facts],
            verdicts=[{"check": n, "from": a, "to": b} for n, a, b in found.verdicts],
            rows=[
                {
                    "table": r.table,
                    "name": r.row,
                    "cells_from": dict(r.before),
                    "cells_to": dict(r.after),
                }
                for r in found.rows
            ],
        )
    else:
        for line in _compared(found, context):
            context.out(line)
    return Status.OK if found.same else Status.FINDINGS


def _read(name: str) -> str:
    try:
        return Path(name).read_bytes()[:MOST].decode("utf-8", "replace")
    except OSError as error:
        raise CallError(f"{name}: {error.strerror or error}") from None


def _compared(found: RecordComparison, context: Context) -> Iterator[str]:
    if found.same:
        yield "The records say the same."
        return
    if found.facts:
        yield context.style("facts", "head")
        for name, before, after in found.facts:
            yield wrap(f"{name}: {before or '-'} -> {after or '-'}", context.width, "  ", "      ")
    table = ""
    for row in found.rows:
        if row.table != table:
            table = row.table
            yield context.style(table, "head")
        told = "; ".join(f"{h}: {a or '-'} -> {b or '-'}" for h, a, b in row.cells())
        told = told or ("not there before" if not row.before else "not there any more")
        yield wrap(f"{row.row}  {told}", context.width, "  ", "      ")
    yield context.style("verdicts that moved", "head") if found.verdicts else "No verdict moved."
    yield from columns([["", n, a, "->", b] for n, a, b in found.verdicts], fold=context.width)
    bad = [n for n, a, b in found.verdicts if b.startswith("FAILS") and not a.startswith("FAILS")]
    if bad:
        yield f"{len(bad)} fail now that did not before; first: {bad[0]}"
