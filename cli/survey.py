"""`gateword survey`: many captures or logs of words to tables, and what is new in them."""

from __future__ import annotations

import argparse
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from regmap.errors import CallError
from regmap.quantity import many

from .capture import chips_of, known_names, pairs, quantity
from .context import Context, Status, columns, wrap
from .surveyagainst import add_comparison, compare

if TYPE_CHECKING:
    from regmap.fleet.captured import Against
    from regmap.fleet.sources import SurveySource
    from regmap.fleet.survey import Surveyed

NAME = "survey"
HELP = "many captures or logs of words to tables, and what is new since another survey"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "paths",
        metavar="CAPTURE|FOLDER",
        nargs="*",
        help="captures, folders of them, or patterns ('night/*.vcd')",
    )
    parser.add_argument(
        "--manifest",
        metavar="FILE",
        help="CSV or YAML with file, unit, firmware, test and variant of each capture",
    )
    parser.add_argument(
        "--map",
        metavar="MAP",
        action="append",
        default=[],
        help="the chip's map; several for a daisy chain, first the one nearest to the controller's output",
    )
    parser.add_argument(
        "--stage",
        metavar="STAGE",
        action="append",
        default=[],
        help="hold all against a stage; several: each capture against that which the manifest's `variant` names",
    )
    parser.add_argument("--chain", type=int, metavar="N", help="N chips of this map in a chain")
    parser.add_argument(
        "--device-address", type=int, metavar="N", help="the device address, where frames carry one"
    )
    parser.add_argument(
        "-o",
        "--output",
        metavar="FOLDER",
        help="folder of the tables (faults, registers, captures, timing); a run that was killed goes on here",
    )
    parser.add_argument(
        "--format",
        choices=("csv", "jsonl", "parquet"),
        default="csv",
        help="of the tables (default: csv; parquet needs gateword[tables])",
    )
    parser.add_argument("--workers", type=int, metavar="N", help="processes (default: the cores)")
    parser.add_argument(
        "--afresh", action="store_true", help="read all again, also what an earlier run has read"
    )
    logs = parser.add_argument_group("logs of words (Parquet, CSV, JSON lines; gateword[tables])")
    logs.add_argument(
        "--log",
        action="store_true",
        help="the files are logs: a row for each instant, a column for each register",
    )
    logs.add_argument(
        "--columns",
        metavar="ROLE=NAME",
        action="append",
        default=[],
        help="which column is time, unit, reset, a register, or of frames sent and reply, where its name does not say it; - for none",
    )
    logs.add_argument(
        "--time-unit", choices=("s", "ms", "us", "ns"), help="unit of numbers in the time column"
    )
    gate = parser.add_argument_group(
        "exit status",
        "1 where a file was not read whole or a capture does not prove that all is well",
    )
    gate.add_argument(
        "--fail-on-fault", action="store_true", help="1 also when a fault of a chip was seen"
    )
    gate.add_argument(
        "--accept",
        metavar="REASON",
        action="append",
        default=[],
        help="no 1 for this reason, as for gateword capture",
    )
    gate.add_argument(
        "--bad-replies",
        metavar="PERCENT",
        default="0 %",
        help="share of replies that may be beyond belief (default: 0 %%)",
    )
    add_comparison(parser)
    parser.add_argument("--json", action="store_true", help="one JSON object")


def run(args: argparse.Namespace, context: Context) -> int:
    from regmap.fleet.captured import Against
    from regmap.fleet.sources import find_sources
    from regmap.fleet.survey import survey
    from regmap.stages.load import load_stage
    from regmap.trace.telling.gate import STOPS

    if args.against and not args.output:
        if len(args.paths) != 1 or not Path(args.paths[0]).is_dir():
            raise CallError("--against compares two folders of tables", "one folder before it, or captures and -o FOLDER")  # fmt: skip
        return compare(args, context, args.paths[0])
    if not args.output:
        raise CallError("survey writes tables; give -o FOLDER")
    if not args.paths and not args.manifest:
        raise CallError("nothing to survey", "captures, folders, patterns or --manifest FILE")
    if args.workers is not None and not 1 <= args.workers <= 1024:
        raise CallError(f"{args.workers} workers", "1 to 1024")
    known_names(args.accept, set(STOPS), "reason")
    stages = [load_stage(name) for name in args.stage]
    stage = stages[0] if stages else None
    for other in stages[1:]:
        assert stage is not None
        if other.chip.digest != stage.chip.digest or other.name == stage.name:
            raise CallError(
                f"stage {other.name} beside {stage.name}",
                "variants of one map, each with its own name",
            )
    against = Against(
        tuple(chips_of(args, stage)),
        stage,
        quantity(args.bad_replies, "ratio", "--bad-replies", zero=True),
        {s.name: s for s in stages[1:]},
    )
    sources = find_sources(args.paths, args.manifest, without=args.output)
    if not sources:
        raise CallError("there is no file in what was named")
    _outside(args.output, [s.file for s in sources], context)
    with _progress(context) as progress:
        if args.log or args.columns:
            found = _logs(args, against, sources, context, progress)
        else:
            found = survey(
                sources, against, args.output,
                format=args.format, workers=args.workers, afresh=args.afresh, progress=progress,
            )  # fmt: skip
    told = {**_object(found), "identity": against.identity.json()}
    if not args.json:
        for line in _lines(found, context):
            context.out(line)
    elif not args.against:
        context.json("survey", **told)
    accepted = {*args.accept, *(() if args.fail_on_fault else ("faults",))}
    bad = bool(set(found.stops) - accepted) or any(s != "read" for s in found.states)
    if args.against:
        bad |= compare(args, context, args.output, told) != Status.OK
    return Status.FINDINGS if bad else Status.OK


def _logs(
    args: argparse.Namespace,
    against: Against,
    sources: tuple[SurveySource, ...],
    context: Context,
    progress: Callable[[int, int], None] | None,
) -> Surveyed:
    """Logs of words: the columns are shown as they were found."""
    from regmap.fleet.writing import need_tables

    need_tables()
    from regmap.fleet.logfiles import columns_of, columns_of_all, survey_logs

    if against.variants:
        raise CallError("logs of words are held against one stage", "one --stage")
    if len(against.chips) > 1:
        raise CallError("logs of words are of one chip", "one --map")
    given = pairs(args.columns, None, "columns")
    unit = args.time_unit or ""
    columns = columns_of_all([s.file for s in sources], against.chips[0], given, unit)
    shown = Counter(c.text() for c in columns.values() if not isinstance(c, str))
    if not shown and len(sources) == 1:
        columns_of(sources[0].file, against.chips[0], given, unit)  # says what is wrong
    if not shown:
        told = columns[sources[-1].file]
        raise CallError(f"no file can be read as a log; the last: {told}", "--columns ROLE=NAME")
    for text, count in shown.items():
        context.err(f"columns: {text}" + (f" ({many(count, 'file')})" if len(shown) > 1 else ""))
    return survey_logs(
        sources, against, columns, args.output,
        format=args.format, workers=args.workers, afresh=args.afresh, progress=progress,
    )  # fmt: skip


def _outside(output: str, files: list[str], context: Context) -> None:
    """No table is written over a file that is read."""
    from regmap.fleet.survey import ABOUT, JOURNAL

    context.gate.reads(files)
    for table in ("faults", "registers", "captures", "timing"):
        for ending in ("csv", "jsonl", "parquet"):
            context.gate.writes(Path(output, f"{table}.{ending}"))
    for name in (ABOUT, JOURNAL):
        context.gate.writes(Path(output, name))


@contextmanager
def _progress(context: Context) -> Iterator[Callable[[int, int], None] | None]:
    """A line on stderr while files are read, and its removal."""
    if not context.progress:
        yield None
        return
    try:
        yield lambda done, total: (context.stderr.write(f"\r{done} of {total} done "), context.stderr.flush())[1]  # fmt: skip
    finally:
        context.stderr.write("\r" + " " * 32 + "\r")
        context.stderr.flush()


def _object(found: Surveyed) -> dict[str, object]:
    return {
        "files": found.files,
        "read_now": found.read_now,
        "states": dict(found.states),
        "stops": dict(found.stops),
        "faults": dict(found.faults),
        "tables": [str(p) for p in found.tables],
        "problems": [{"file": f, "state": s, "message": m} for f, s, m in found.problems],
    }


def _lines(found: Surveyed, context: Context) -> Iterator[str]:
    states = ", ".join(f"{n} {s}" for s, n in found.states.items())
    yield f"{many(found.files, 'file')}: {states}; {found.read_now} read now"
    for file, state, message in found.problems:
        yield context.style(wrap(f"{state}: {file}: {message}", context.width, hang="  "), "warn")
    if found.stops:
        counts = ", ".join(f"{name} {n}" for name, n in found.stops.items())
        yield wrap(f"captures with reasons to stop: {counts}", context.width, hang="  ")
    if found.faults:
        yield from columns([["fault", "intervals"], *([f, str(n)] for f, n in found.faults.items())], right=(1,))  # fmt: skip
    for path in found.tables:
        yield f"wrote {path}"
