"""`gateword sweep`: one row per option of a field, or per value of an input, with every verdict that depends on it.

Two names give a table of every value of one against every value of the other.
"""

from __future__ import annotations

import argparse
from pathlib import Path

from regmap.assessment.grid import MOST_CELLS, axis, fitting, grid, grid_picture, shown
from regmap.assessment.sweep import Sweep, SweepRow, sweep, sweep_input
from regmap.calc import WORDS
from regmap.calc.svg import stamped
from regmap.chip.bank import full_name
from regmap.errors import CallError
from regmap.stages.identity import identity
from regmap.stages.load import Stage
from regmap.stages.whatif import input_of

from .check import add_set, needs, of_stage, percent, stage_with
from .context import Context, Status, columns, wrap
from .documents import add_mode
from .files import write_text

NAME = "sweep"
HELP = "options of a field or values of an input, with the verdicts that depend on it"
#: Why options of a field are left out of a sweep of two.
TOO_MANY = f"a table of two has room for {MOST_CELLS} combinations"


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
        "second",
        metavar="NAME",
        nargs="?",
        help="a second field or input: every value of the first against every value of the second",
    )
    parser.add_argument(
        "second_span", metavar="SPAN", nargs="?", help="from where to where the second goes"
    )
    parser.add_argument(
        "--steps",
        type=int,
        metavar="N",
        help="values of an input in the span (default 11; 7 where two are swept)",
    )
    parser.add_argument("--picture", metavar="FILE", help="write a sweep of two as a picture (SVG)")
    parser.add_argument(
        "--check",
        metavar="CHECK",
        action="append",
        default=[],
        help="in a sweep of two, the margin of this check in every cell: a name, or its beginning up to a dot; "
        "of several, the smallest",
    )
    add_set(parser)
    add_mode(parser, text="one mode alone, not all together (as_stated: the stage without one)")
    parser.add_argument(
        "--all",
        action="store_true",
        help="every verdict that depends on it, also where it holds everywhere",
    )
    parser.add_argument("--json", action="store_true", help="one JSON object")


def run(args: argparse.Namespace, context: Context) -> int:
    stage = stage_with(args.stage, args.set, context, args.drive_mode)
    together = bool(stage.modes) and not args.drive_mode
    axes = _axes(args, stage)
    if len(axes) == 2:
        return _two_ways(args, stage, axes, context, together=together)
    if args.picture:
        raise CallError("a picture of one sweep", "two names, for a picture")
    if args.check:
        raise CallError("--check in a sweep of one name", "two names, whose cells it fills")
    result = _sweep(stage, *axes[0], args.steps or 11, together=together)
    alone = _set_alone(stage, axes) if together else []
    best = result.best
    if args.json:
        context.json(
            "sweep",
            stage=stage.name,
            field=result.name,
            over_modes=[*_states(stage, axes)] if together else [],
            set_by_modes=alone,
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
                    "worst_mode": r.worst_mode or None,
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
            grid=None,
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
    if together:
        rows[0].insert(4, "in mode")
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
        if together:
            rows[-1].insert(4, item.worst_mode)
    right = [1, 3, 5, 6] if together else [1, 3, 4, 5]
    for line in columns(rows, gap=2, right=right, fold=context.width):
        context.out(line)
    legend = "" if result.of_input else "   * best   > as in the stage"
    context.out(f"{len(names)} verdicts change, {result.unmoved} do not.{legend}")
    _told_alone(alone, context)
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


def _axes(args: argparse.Namespace, stage: Stage) -> list[tuple[str, str | None]]:
    """What is swept, one or two: (field, None) or (input, span)."""
    words = [w for w in (args.field, args.span, args.second, args.second_span) if w is not None]
    found: list[tuple[str, str | None]] = []
    while words:
        name = words.pop(0)
        if not of_stage(stage, name):
            if words and not (of_stage(stage, words[0]) or _names_field(words[0])):
                raise CallError(f"{name} is no input of the stage: all of its options are swept")
            found.append((full_name(stage.chip, name), None))
        elif not words:
            input_of(name)  # a name that means nothing is told first
            raise CallError(f"{name} is an input of the stage", "a span, as 10..60kHz")
        else:
            found.append((name, words.pop(0)))
    if len(found) > 2:
        raise CallError(f"{len(found)} names to sweep", "one or two")
    return found


def _names_field(word: str) -> bool:
    """Whether a word may name a field, and is no span of numbers."""
    return word[:1].isalpha() and ".." not in word


def _states(stage: Stage, axes: list[tuple[str, str | None]]) -> list[str]:
    """The states of the drive over which all of these are swept."""
    from regmap.assessment.jointly import moved_in, states

    over = [moved_in(stage, name) for name, _ in axes]
    return [n for n in states(stage) if all(n in o for o in over)]


def _set_alone(stage: Stage, axes: list[tuple[str, str | None]]) -> list[str]:
    """The modes that set one of these themselves, and are left out."""
    over = _states(stage, axes)
    return [m for m in stage.modes if m not in over]


def _told_alone(modes: list[str], context: Context) -> None:
    if modes:
        text = f"{', '.join(modes)} {'sets' if len(modes) == 1 else 'set'} it for {'itself' if len(modes) == 1 else 'themselves'}: --drive-mode"
        context.out(wrap(text, context.width, hang="    "))


def _sweep(stage: Stage, name: str, span: str | None, steps: int, *, together: bool) -> Sweep:
    if together:
        from regmap.assessment.jointly import sweep_input_over_modes, sweep_over_modes

        if span is None:
            return sweep_over_modes(stage, name)
        return sweep_input_over_modes(stage, name, span, steps)
    return sweep(stage, name) if span is None else sweep_input(stage, name, span, steps)


def _two_ways(
    args: argparse.Namespace,
    stage: Stage,
    axes: list[tuple[str, str | None]],
    context: Context,
    *,
    together: bool,
) -> int:
    steps = args.steps or 7
    first, second = whole = [axis(stage, name, span, steps) for name, span in axes]
    first, second = fitting(first, second)
    left_out = [
        (one.name, len(kept.labels), len(one.labels))
        for one, kept in zip(whole, (first, second), strict=True)
        if len(kept.labels) < len(one.labels)
    ]
    if together:
        from regmap.assessment.jointly import grid_over_modes

        found = grid_over_modes(stage, first, second, args.check)
    else:
        found = grid(stage, first, second, args.check)
    alone = _set_alone(stage, axes) if together else []
    if args.picture:
        write_text(
            Path(args.picture), stamped(grid_picture(found, args.check), str(identity(stage)))
        )
        context.err(f"wrote {args.picture}")
    if args.json:
        context.json(
            "sweep",
            stage=stage.name,
            field=first.name,
            over_modes=_states(stage, axes) if together else [],
            set_by_modes=alone,
            moved=list(found.moved),
            rows=[],
            not_computed=[],
            of_input=first.of_input,
            holding=None,
            left_out=[
                {"value": f"{many - kept} options of {name}", "reason": TOO_MANY}
                for name, kept, many in left_out
            ],
            grid={
                "second": second.name,
                "values": list(first.labels),
                "second_values": list(second.labels),
                "cells": [
                    [
                        {
                            "status": c.status,
                            "smallest_margin": c.worst,
                            "check": c.check,
                            "fails": c.fails,
                            "low_margin": c.low,
                            "broken_rules": list(c.broken_rules),
                            "left_out": c.left_out,
                        }
                        for c in row
                    ]
                    for row in found.cells
                ],
            },
        )
        return Status.OK
    names = list(dict.fromkeys(c.check for row in found.cells for c in row if c.check))
    heads = [("> " if n == second.current else "") + label for n, label in enumerate(second.labels)]
    body = [
        [shown(c) + (f" [{names.index(c.check) + 1}]" if c.check else "") for c in row]
        for row in found.cells
    ]
    sides = [("> " if n == first.current else "  ") + label for n, label in enumerate(first.labels)]
    context.out(f"{first.name} (down) against {second.name} (across)")
    widths = [max(len(heads[c]), *(len(row[c]) for row in body)) + 2 for c in range(len(heads))]
    start, side = 0, max(map(len, sides))
    while start < len(heads):
        stop, room = start + 1, side + widths[start]
        while stop < len(heads) and room + widths[stop] <= context.width:
            room += widths[stop]
            stop += 1
        table = [["", *heads[start:stop]]]
        table += [[s, *row[start:stop]] for s, row in zip(sides, body, strict=True)]
        for line in columns(table, gap=2, right=range(1, stop - start + 1)):
            context.out(line)
        start = stop
    for number, name in enumerate(names, 1):
        context.out(f"[{number}] {name}")
    whose = f" of {', '.join(args.check)}" if args.check else ""
    context.out(
        wrap(
            f"Smallest margin{whose} of each combination and whose it is: ! something fails, ~ low margin, "
            "x cannot be, > as in the stage.",
            context.width,
        )
    )
    for name, kept, many in left_out:
        context.out(
            wrap(f"{name}: {kept} of {many} options, evenly spread: {TOO_MANY}", context.width)
        )
    reasons = dict.fromkeys(c.left_out for row in found.cells for c in row if c.left_out)
    for why in reasons:
        context.out(wrap(f"cannot be: {why}", context.width, hang="    "))
    rules = sorted({r for row in found.cells for c in row for r in c.broken_rules})
    if rules:
        context.out(wrap(f"rules broken in some: {', '.join(rules)}", context.width, hang="    "))
    _told_alone(alone, context)
    context.out(f"{len(found.moved)} verdicts change, {found.unmoved} do not.")
    return Status.OK


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
