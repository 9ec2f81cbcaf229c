"""`gateword sweep`: one row per option of a field, or per value of an input, with every verdict that depends on it."""

from __future__ import annotations

import argparse

from regmap.assessment.stage import Sweep, SweepRow, sweep, sweep_input
from regmap.calc import WORDS
from regmap.chip.bank import full_name
from regmap.errors import CallError
from regmap.stages.load import Stage
from regmap.stages.whatif import input_of

from .check import add_set, needs, of_stage, percent, stage_with
from .context import Context, Status, columns, wrap

NAME = "sweep"
HELP = "options of a field or values of an input, with the verdicts that depend on it"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "stage", metavar="STAGE", help="a stage: a path, a bundled name, or - for standard input"
    )
    parser.add_argument(
        "field",
        metavar="NAME",
        help="a field (REG.FIELD), joined or external value; or an input of the stage, with SPAN",
    )
    parser.add_argument(
        "span", metavar="SPAN", nargs="?", help="from where to where an input goes, as 10..60kHz"
    )
    parser.add_argument(
        "--steps",
        type=int,
        default=11,
        metavar="N",
        help="values of an input in the span (default 11)",
    )
    add_set(parser)
    parser.add_argument(
        "--all",
        action="store_true",
        help="every verdict that depends on it, also where it holds everywhere",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object")


def run(args: argparse.Namespace, context: Context) -> int:
    stage = stage_with(args.stage, args.set, context)
    result = _sweep(args, stage)
    best = result.best
    if args.json:
        context.json(
            "sweep",
            stage=stage.name,
            field=result.name,
            moved=list(result.moved),
            rows=[
                {
                    "code": r.reading.code,
                    "name": r.reading.name,
                    "value": r.reading.band,
                    "current": r.current,
                    "best": r is best,
                    "broken_rules": list(r.broken_rules),
                    "smallest_margin": r.worst,
                    "verdicts": {
                        n: {"status": v.status, "relative_margin": v.json()["relative_margin"]}
                        for n, v in r.verdicts.items()
                    },
                }
                for r in result.rows
            ],
            not_computed=[{"check": v.check, "missing": list(v.missing)} for v in result.open],
            of_input=result.of_input,
            holding=[r.reading.name for r in result.holding] if result.of_input else None,
            left_out=[{"value": text, "reason": why} for text, why in result.left_out],
        )
        return Status.OK
    if not result.moved:
        context.out(
            wrap(
                f"{result.name} has no verdict that depends on it in {stage.name}; {result.unmoved} stay as they are",
                context.width,
            )
        )
        _not_computed(result, context)
        return Status.OK
    names = list(result.moved)
    # what the rows number, and what an option makes vanish
    found = {
        n: {r.verdicts[n].status if n in r.verdicts else "" for r in result.rows} for n in names
    }
    telling = [n for n in names if len(found[n]) > 1 or found[n] & {"fails", "low_margin"}]
    for number, name in enumerate(names, 1):
        if args.all or name in telling:
            title = next(r.verdicts[name].title for r in result.rows if name in r.verdicts)
            context.out(wrap(f"[{number}] {name}: {title}", context.width, hang="    "))
    code = "" if result.of_input else "code"
    rows = [["", code, "value", "smallest margin", "fails", "low margin", "which"]]
    for item in result.rows:
        mark = ("*" if item is best else " ") + (">" if item.current else " ")
        fails = [n for n in names if n in item.verdicts and item.verdicts[n].status == "fails"]
        low = [n for n in names if n in item.verdicts and item.verdicts[n].status == "low_margin"]
        which = " ".join(f"[{names.index(n) + 1}]{WORDS['fails']}" for n in fails) + (
            " " if fails and low else ""
        )
        which += " ".join(f"[{names.index(n) + 1}]{WORDS['low_margin']}" for n in low)
        which += "".join(f" rule {r}" for r in item.broken_rules)
        rows.append(
            [
                mark,
                "" if result.of_input else str(item.reading.code),
                item.reading.name if result.of_input else item.reading.label,
                percent(item.worst),
                str(len(fails)),
                str(len(low)),
                which,
            ]
        )
    for line in columns(rows, gap=2, right=[1, 3, 4, 5], fold=context.width):
        context.out(line)
    legend = "" if result.of_input else "   * best   > as in the stage"
    context.out(f"{len(names)} verdicts change, {result.unmoved} do not.{legend}")
    _not_computed(result, context)
    if result.of_input:
        _holding(result, context)
    if best is not None:
        blind = " It knows nothing of what is not computed." if result.open else ""
        context.out(
            wrap(
                f"Best: {result.name} = {best.reading.label}, smallest margin {percent(best.worst)} among the verdicts that depend on it.{blind}",
                context.width,
            )
        )
    return Status.OK


def _sweep(args: argparse.Namespace, stage: Stage) -> Sweep:
    if not of_stage(stage, args.field):
        if args.span is not None:
            raise CallError(f"{args.field} is no input of the stage: all of its options are swept")
        return sweep(stage, full_name(stage.chip, args.field))
    if args.span is None:
        input_of(args.field)  # a name that means nothing is told first
        raise CallError(f"{args.field} is an input of the stage", "a span, as 10..60kHz")
    return sweep_input(stage, args.field, args.span, args.steps)


def _holding(result: Sweep, context: Context) -> None:
    """Where an input may go: the values at which nothing fails."""
    for text, why in result.left_out:
        context.out(wrap(f"left out: {text}: {why}", context.width, hang="    "))
    runs: list[list[SweepRow]] = []
    for before, row in zip((None, *result.rows), result.rows, strict=False):
        if row in result.holding:
            if before is not None and before in result.holding and runs:
                runs[-1].append(row)
            else:
                runs.append([row])
    spans = [
        run[0].reading.name + (f" to {run[-1].reading.name}" if len(run) > 1 else "")
        for run in runs
    ]
    what = f"at {', '.join(spans)}" if spans else "at none of these values"
    context.out(
        wrap(f"{result.name}: all verdicts that change hold {what}.", context.width, hang="  ")
    )


def _not_computed(result: Sweep, context: Context) -> None:
    """What hangs on the field and could not be computed: a best value is only as good as what was asked."""
    from regmap.calc import fold_sides

    for name, _, verdict in fold_sides(list(result.open)):
        context.out(wrap(f"not computed: {name}, {needs(verdict)}", context.width, hang="    "))
