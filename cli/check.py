"""`gateword check`: all calculations of a stage, worst first."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from regmap.assess import Assessment, assess, with_settings
from regmap.errors import CallError
from regmap.stagefile import Stage, load_stage

from .context import Context, Status, columns, wrap
from .files import write_text

if TYPE_CHECKING:
    from regmap.calc import Verdict

NAME = "check"
HELP = "all calculations of a stage, with verdicts"
SIGNS = {"fails": "FAILS", "thin": "thin", "not computed": "--", "holds": "holds"}
STYLES = {"fails": "bad", "thin": "warn", "not computed": "dim", "holds": "good"}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("stage", metavar="STAGE", help="a stage: a path or a shipped name")
    parser.add_argument("names", nargs="*", default=[], metavar="CHECK", help="only these checks: a name, or its beginning up to a dot (gate)")
    parser.add_argument("--explain", action="append", default=[], metavar="CHECK", help="the whole derivation, with numbers put in")
    parser.add_argument("--set", action="append", default=[], metavar="REG.FIELD=VALUE", help="judge with this setting instead of the stage's")
    parser.add_argument("--only", choices=["fails", "thin", "not-computed", "holds"], action="append", default=[], help="only verdicts of this kind")
    parser.add_argument("--strict", action="store_true", help="thin and not computed count as findings")
    parser.add_argument("--spice", metavar="FILE", help="write a SPICE deck of the half-bridge with the chosen gate currents")
    parser.add_argument("--plot", metavar="FOLDER", help="write SVG plots: switching edge, trip current, dead time")
    parser.add_argument("--json", action="store_true", help="one JSON object")


def stage_with(name: str, changes: list[str]) -> Stage:
    """The stage with settings of the command line laid over."""
    stage = load_stage(name)
    pairs = {}
    for text in changes:
        key, equals, value = text.partition("=")
        if not equals:
            raise CallError(f"{text[:40]!r} is not REG.FIELD=VALUE")
        pairs[key.strip()] = value.strip()
    return with_settings(stage, pairs) if pairs else stage


def run(args: argparse.Namespace, context: Context) -> int:
    stage = stage_with(args.stage, args.set)
    result = assess(stage, names=[*args.names, *args.explain] or None)
    if args.spice or args.plot:
        _files(args, stage, context)
    if args.json:
        context.json("check", stage=stage.name, chip=stage.chip.name, counts=result.counts, digest=stage.digest,
                     verdicts=[v.json() for v in result.verdicts],
                     waived=[{"check": v.check, "status": v.status, "reason": reason} for v, reason in result.waived])
    elif args.explain:
        for verdict in result.verdicts:
            for line in derivation(verdict, context):
                context.out(line)
            context.out("")
    else:
        for line in table(result, context, {o.replace("-", " ") for o in args.only}):
            context.out(line)
    counts = result.counts
    if counts["fails"] or (args.strict and (counts["thin"] or counts["not computed"])):
        return Status.FINDINGS
    return Status.OK


def percent(share: float | None) -> str:
    """A margin as people read it: `+12 %`; without a number where there is none."""
    if share is None or share == float("inf"):
        return ""
    if abs(share) >= 9.995:
        return ">+999 %" if share > 0 else "<-999 %"
    return f"{share * 100:+.1f} %" if abs(share) < 0.0995 else f"{share * 100:+.0f} %"


def row(verdict: Verdict, name: str = "") -> list[str]:
    """One verdict as table cells: sign, check, worst value, relation, limit, margin."""
    value = limit = relation = ""
    if verdict.value is not None:
        worst = "max" if verdict.worst_max or (verdict.worst_max is None and verdict.upper is not None) else "min"
        value = verdict.value.text(worst) if verdict.worst_max is not None else verdict.value.text()
    if verdict.limit is not None:
        relation = "<=" if verdict.worst_max or (verdict.worst_max is None and verdict.relation == "at most") else ">="
        limit = verdict.limit.text("min" if relation == "<=" else "max")
    if verdict.missing:
        limit = f"needs {verdict.missing[0].removeprefix('stage:').removeprefix('chip:')}"
        relation = ""
    elif verdict.reason and not value:
        limit = verdict.reason
    return [SIGNS[verdict.status], name or verdict.check, value, relation, limit, percent(verdict.relative)]


def table(result: Assessment, context: Context, only: set[str]) -> list[str]:
    """The verdicts as text, worst first, and the sum in the last line."""
    from regmap.calc import CAUTION, fold_sides

    chosen = [v for v in result.verdicts if not only or v.status in only]
    folded = fold_sides(chosen)
    shown = [v for _, _, v in folded]
    cells = [["", "check", "worst case", "", "limit", "margin"]] + [row(v, n) for n, _, v in folded]
    widest = max((len(c[1]) for c in cells), default=10)
    rest = context.width - widest - 6 - 12 - 3 - 8 - 5
    cells = [[c[0], c[1], c[2], c[3], c[4] if len(c[4]) <= max(rest, 14) else c[4][: max(rest, 14) - 1] + "~", c[5]] for c in cells]
    lines = columns(cells, gap=1, right=[5])
    styled = [lines[0]]
    for line, verdict in zip(lines[1:], shown, strict=True):
        sign = SIGNS[verdict.status]
        styled.append(context.style(sign, STYLES[verdict.status]) + line[len(sign):])
    for verdict, reason in result.waived:
        styled.append(f"waived {verdict.check} ({verdict.status}): {reason}")
    counts = result.counts
    styled.append("")
    styled.append(wrap(CAUTION, context.width))
    failed = [v.check for v in result.verdicts if v.status == "fails"]
    summary = f"{counts['holds']} hold, {counts['thin']} thin, {counts['fails']} fail, {counts['not computed']} not computed"
    styled.append(summary + (f"; first: {failed[0]}" if failed else ""))
    return styled


def derivation(verdict: Verdict, context: Context) -> list[str]:
    """Everything behind one verdict: formula, inputs with origin, steps, corner, caution."""
    width = context.width
    lines = [context.style(verdict.check, "head") + f"  {verdict.title}", wrap(f"formula: {verdict.formula}", width, "  ", "    ")]
    lines.append("  inputs")
    rows = []
    for item in verdict.inputs:
        origin = (item.origin.origin if item.origin else "") or item.note
        rows.append([item.symbol, item.text(), origin])
    for line in columns(rows):
        lines.append(wrap(line, width, "    ", "        "))
    lines.append("  steps")
    lines += [wrap(step, width, "    ", "      ") for step in verdict.steps]
    if verdict.corner:
        lines.append(wrap(f"worst corner: {verdict.corner}", width, "  ", "    "))
    for name in verdict.missing:
        from regmap.calc import describe

        lines.append(wrap(f"missing: {name}, {describe(name)}", width, "  ", "    "))
    lines.append(wrap(verdict.caution, width, "  "))
    sign = context.style(SIGNS[verdict.status], STYLES[verdict.status])
    lines.append(f"  verdict: {sign}" + (f", margin {percent(verdict.relative)}" if verdict.relative is not None else ""))
    return lines


def _files(args: argparse.Namespace, stage: Stage, context: Context) -> None:
    from regmap.assess import inputs_of

    inputs = inputs_of(stage)
    if args.spice:
        from regmap.calc.spice import deck

        write_text(Path(args.spice), deck(inputs))
        context.err(f"wrote {args.spice}")
    if args.plot:
        from regmap.calc.plot import plots

        folder = Path(args.plot)
        folder.mkdir(parents=True, exist_ok=True)
        for name, svg in plots(inputs).items():
            write_text(folder / f"{name}.svg", svg)
            context.err(f"wrote {folder / name}.svg")
