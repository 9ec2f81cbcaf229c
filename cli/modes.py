"""`gateword modes`: the ways between the modes of a stage, and what follows on every fault."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import TYPE_CHECKING

from regmap.errors import CallError, closest
from regmap.quantity import many
from regmap.stages.identity import identity

from .check import STYLES, add_set, stage_with
from .context import Context, Status, columns, hexword, wrap

if TYPE_CHECKING:
    from regmap.assessment.fallback import FallbackRow
    from regmap.assessment.transition import Transition
    from regmap.stages.load import Stage

NAME = "modes"
HELP = "the ways between the modes of a stage, frame by frame, and what follows on every fault"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("stage", metavar="STAGE", help="a stage: a path or a bundled name")
    parser.add_argument(
        "ways",
        metavar="MODE",
        nargs="*",
        help="the mode that is left and the mode that is entered (as_stated: without a mode), for every frame",
    )
    add_set(parser)
    parser.add_argument("--faults", action="store_true", help="what follows on every fault, whole")
    parser.add_argument("--json", action="store_true", help="one JSON object")


def run(args: argparse.Namespace, context: Context) -> int:
    from regmap.assessment.fallback import between_modes

    stage = stage_with(args.stage, args.set, context)
    if not stage.modes:
        raise CallError(f"{stage.name} states no modes", "a stage with `modes:`")
    between = between_modes(stage)
    ways, rows = list(between.ways), list(between.rows)
    if args.ways:
        ways = [_chosen(stage, ways, args.ways)]
    if args.json:
        context.json(
            "modes",
            stage=stage.name,
            chip=stage.chip.name,
            identity=identity(stage).json(),
            modes=[
                {
                    "mode": m.mode,
                    "title": m.mode_title or None,
                    "after": list(m.entry.after),
                    "driving": m.entry.driving,
                    "identity": identity(m).json(),
                }
                for m in stage.modes.values()
            ],
            transitions=[w.json() for w in ways],
            fallback=[] if args.ways else [r.json() for r in rows],
        )
    else:
        lines = (
            _one(ways[0], context) if args.ways else _all(stage, ways, rows, context, args.faults)
        )
        for line in lines:
            context.out(line)
    bad = not ways[0].ok if args.ways else between.open
    return Status.FINDINGS if bad else Status.OK


def _chosen(stage: Stage, ways: list[Transition], names: list[str]) -> Transition:
    """The transition that two names mean. Raises CallError for what the stage does not allow."""
    if len(names) != 2:
        raise CallError(
            "a transition has two ends", "the mode that is left and the one that is entered"
        )
    known = ["as_stated", *stage.modes]
    for name in names:
        if name not in known:
            raise CallError(
                f"{stage.name} has no mode {name!r}",
                f"one of {', '.join(known)}",
                nearest=closest(name, known),
            )
    ends = tuple(n.replace("as_stated", "as stated") for n in names)
    for way in ways:
        if (way.source, way.target) == ends:
            return way
    raise CallError(f"{stage.name} leads no way from {names[0]} to {names[1]} (`after`, `from`)")


def _all(
    stage: Stage, ways: list[Transition], rows: list[FallbackRow], context: Context, whole: bool
) -> Iterator[str]:
    cells = [["from", "to", "outputs", "writes", "frames", "time at most", "allowed", "findings"]]
    for way in ways:
        frames = sum(a.sent is not None for a in way.actions)
        limit = way.in_time.upper if way.in_time is not None else None
        cells.append(
            [
                way.source,
                way.target,
                "off" if way.stopped else "driving",
                str(len(way.order)) if not way.by_bring_up else "bring-up",
                str(frames),
                way.time.text("max") if way.time is not None else "-",
                limit.text("min") if limit is not None else "-",
                str(len(way.findings)) if way.findings else "none",
            ]
        )
    head, *drawn = columns(cells)
    yield head
    for way, line in zip(ways, drawn, strict=True):
        yield line if way.ok else context.style(line, STYLES["fails"])
    for way in ways:
        for line in _findings(way, context):
            yield line
    yield ""
    yield from _table(rows, context, whole)
    yield ""
    yield wrap(str(identity(stage)), context.width, hang="  ")


def _findings(way: Transition, context: Context) -> Iterator[str]:
    for trouble in way.findings:
        where = f", after {many(trouble.state, 'write')}" if trouble.of else ""
        values = f" with the values of {trouble.of}" if trouble.of else ""
        head = f"{way.source} to {way.target}{where}{values}: "
        yield wrap(head + trouble.text, context.width, hang="    ")


def _table(rows: list[FallbackRow], context: Context, whole: bool) -> Iterator[str]:
    """Rows with a mode that follows or with a gap; all of them where they are asked for."""
    shown = [r for r in rows if whole or r.gaps or r.then]
    if shown:
        cells = [["in mode", "fault", "the chip", "handled after", "within", "then", "there"]]
        for row in shown:
            verdict = row.in_time
            cells.append(
                [
                    row.mode,
                    row.fault,
                    row.seen,
                    (verdict.worst_value if verdict is not None else "") or "-",
                    (verdict.worst_limit if verdict is not None else "") or "-",
                    row.then or "-",
                    row.there or "-",
                ]
            )
        head, *drawn = columns(cells)
        yield head
        for row, line in zip(shown, drawn, strict=True):
            yield context.style(line, STYLES["fails"]) if row.gaps else line
            for gap in row.gaps:
                yield wrap(f"    {gap}", context.width, hang="    ")
            if whole:
                yield wrap(
                    f"    alone: {row.alone}; the controller: {row.controller}",
                    context.width,
                    hang="    ",
                )
    stop = sum(r.seen == "acts" for r in rows)
    gaps = sum(bool(r.gaps) for r in rows)
    yield wrap(
        f"{many(len(rows), 'row')} of faults and modes: the chip switches off by itself in {stop}, "
        f"{many(gaps, 'gap')}{'' if whole else '; --faults shows all'}",
        context.width,
    )


def _one(way: Transition, context: Context) -> Iterator[str]:
    """Every frame, with what holds after each write."""
    outputs = "with the outputs off" if way.stopped else "while driving"
    limit = way.in_time.sentence() if way.in_time is not None else ""
    time = f", {way.time.text()}" if way.time is not None else ""
    yield wrap(f"{way.source} to {way.target}, {outputs}{time}", context.width, hang="  ")
    if limit:
        yield wrap(limit, context.width, hang="  ")
    writes = 0
    if way.operate == 0:
        yield f"controller: the values of {way.target}"
    for action in way.actions:
        if action.sent is None:
            yield f"  {action.text}"
            continue
        frame = hexword(action.sent.word, action.sent.frame.command.length)
        yield wrap(
            f"  {frame}  {action.text}" + (f"  ({action.why})" if action.why else ""),
            context.width,
            hang="      ",
        )
        if action.sequence == "settings" and action.do in ("write", "send"):
            writes += 1
            if way.operate == writes:
                yield f"controller: the values of {way.target}"
    mild = {t.name: t for m in way.judged for t in m.troubles if t.mild}
    for line in _findings(way, context):
        yield context.style(line, STYLES["fails"])
    if mild:
        yield wrap(f"on the way only: {', '.join(mild)}", context.width, hang="  ")
    if not way.proven:
        yield wrap("the search ended at its budget: another order may be better", context.width)
    if way.ok and not way.stopped:
        yield wrap(
            f"{many(len(way.judged), 'state')} between the frames judged: none destroys the bridge or leaves a protection "
            "without effect",
            context.width,
        )
