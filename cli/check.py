"""`gateword check`: all calculations of a stage, worst first."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from regmap.assessment.matrix import STATED
from regmap.assessment.stage import Assessment, assess, with_settings
from regmap.calc import CAUTION, WORDS, tally
from regmap.chip.bank import find, full_name
from regmap.errors import CallError
from regmap.quantity import Band, many
from regmap.record import replace
from regmap.stages.identity import DIGITS, identity
from regmap.stages.load import Stage
from regmap.stages.whatif import changed_inputs, stated_as

from .context import Context, Status, columns, wrap
from .documents import add_mode, load_stage_of, problem_json
from .files import write_text
from .timelines import lines_of

if TYPE_CHECKING:
    from regmap.assessment.fallback import BetweenModes
    from regmap.assessment.matrix import Matrix, OverModes
    from regmap.assessment.problem import NotComputed
    from regmap.calc import Verdict
    from regmap.calc.unused import Unused
    from regmap.draft import Draft

NAME = "check"
HELP = "all calculations of a stage, with verdicts"
#: width of the column that says how a verdict ends
SIGN = max(map(len, WORDS.values()))
STYLES = {"fails": "bad", "low_margin": "warn", "not_computed": "dim", "holds": "good"}


def add_set(parser: argparse.ArgumentParser, how: str = "with") -> None:
    """The option `--set`, which `stage_with` reads."""
    parser.add_argument(
        "--set",
        action="append",
        default=[],
        metavar="NAME=VALUE",
        help=f"{how} this instead of the stage's: a setting (REG.FIELD=VALUE) or an input (supply.max=18V)",
    )


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "stage", metavar="STAGE", help="a stage: a path, a bundled name, or - for standard input"
    )
    parser.add_argument(
        "names",
        nargs="*",
        default=[],
        metavar="CHECK|STAGE",
        help="only these checks: a name, or its beginning up to a dot (gate); further stages: variants held beside each other",
    )
    parser.add_argument(
        "--explain",
        action="append",
        default=[],
        metavar="CHECK",
        help="the whole derivation, with numbers put in",
    )
    add_set(parser, "judge with")
    parser.add_argument(
        "--only",
        choices=["fails", "low-margin", "not-computed", "holds"],
        action="append",
        default=[],
        help="only verdicts of this kind",
    )
    parser.add_argument(
        "--strict", action="store_true", help="low margin and not computed count as findings"
    )
    parser.add_argument(
        "--spice",
        metavar="FILE",
        help="write a SPICE deck of the half-bridge with the chosen gate currents",
    )
    parser.add_argument(
        "--plot",
        metavar="FOLDER",
        help="write SVG plots: switching edge, trip current, dead time, PWM period, start-up, way to sleep",
    )
    parser.add_argument(
        "--timeline",
        choices=["low", "high", "startup", "sleep"],
        help="instant by instant, min / typ / max: a PWM period of one side, from power-on to the first PWM, "
        "or from the last PWM edge until asleep",
    )
    parser.add_argument(
        "--duty",
        metavar="DUTY",
        default="",
        help="of --timeline and --plot: the period at the lowest, middle or highest duty of the high side, or at "
        "one such as '30 %%' (0 %% and 100 %% too); else where the side's pulse is shortest, --plot all three",
    )
    parser.add_argument(
        "--current",
        choices=["out", "in"],
        help="of --timeline and --plot: the load current flows out of the bridge (the high side takes it over) or "
        "into it (the low side does); else as the side takes it over, --plot both",
    )
    add_mode(parser, "--mode")
    parser.add_argument("--html", metavar="FILE", help="write variants beside each other as a page")
    parser.add_argument("--csv", action="store_true", help="variants as rows of CSV")
    parser.add_argument("--json", action="store_true", help="one JSON object")


def stage_with(name: str, changes: list[str], context: Context, mode: str = "") -> Stage:
    """The stage (`-`: from standard input) or a mode of it, with settings and inputs of the shell line laid over."""
    stage = load_stage_of(name, context, mode)
    modes = {n: _changed(s, changes) for n, s in stage.modes.items()}
    return replace(_changed(stage, changes), modes=modes)


def _changed(stage: Stage, changes: list[str]) -> Stage:
    settings: dict[str, str] = {}
    inputs: dict[str, str] = {}
    for text in changes:
        key, equals, value = (part.strip() for part in text.partition("="))
        if not equals:
            raise CallError(f"{text[:40]!r} is not REG.FIELD=VALUE, or an input as supply.max=18V")
        if of_stage(stage, key):
            inputs[key] = value
        else:
            settings[full_name(stage.chip, key)] = value
    if inputs:
        from regmap.stages.whatif import with_inputs

        stage = with_inputs(stage, inputs)
    return with_settings(stage, settings) if settings else stage


def of_stage(stage: Stage, name: str) -> bool:
    """Whether a name means an input of the stage (`supply.max`), and nothing of its chip."""
    from regmap.stages.whatif import is_input

    return is_input(name) and find(stage.chip, name) is None


def further(names: list[str]) -> list[str]:
    """Those of the names that are documents, not checks: files, and bundled stages."""
    from regmap.maps.load import bundled

    known = bundled("devices")
    return [n for n in names if n in known or n.endswith((".yaml", ".yml")) or Path(n).is_file()]


def run(args: argparse.Namespace, context: Context) -> int:
    others = further(args.names)
    stage = stage_with(args.stage, args.set, context, args.drive_mode)
    asked = "--duty" if args.duty else "--current" if args.current else ""
    if asked and args.timeline not in ("low", "high") and not args.plot:
        raise CallError(
            f"{asked} without a PWM period", "--timeline low, --timeline high or --plot"
        )
    if args.timeline:
        return _timeline(args, stage, context)
    if args.drive_mode:
        stage = replace(stage, modes={})  # this one alone
    if others or args.csv or args.html:
        single = [f"--{n}" for n in ("explain", "spice", "plot") if getattr(args, n)]
        if single:
            raise CallError(f"{single[0]} is of one stage", "one stage, without --csv and --html")
        from .checkmatrix import run_matrix

        args.names = [n for n in args.names if n not in others]
        stages = [stage, *(stage_with(name, args.set, context) for name in others)]
        return run_matrix(args, stages, context)
    names = [*args.names, *args.explain] or None
    over = None
    if stage.modes:
        from regmap.assessment.matrix import over_modes

        over = over_modes(stage, names)
    result = over.result if over else assess(stage, names=names)
    if args.spice or args.plot:
        _files(args, stage, context)
    between = between_of(stage, names, over.matrix) if over else None
    drafts = _drafts(stage, over) if args.explain else None
    if args.json:
        context.json(
            "check",
            stage=stage.name,
            chip=stage.chip.name,
            counts=result.counts,
            identity=identity(stage).json(),
            rounded=[
                {
                    "setting": s.name,
                    "wanted": s.asked,
                    "value": s.choice.reading.band,
                    "error": s.choice.error,
                    "why": s.choice.why,
                }
                for s in stage.settings
                if s.choice.kept
            ],
            inputs_changed={
                n: v if isinstance(v, Band) else str(v) for n, v in changed_inputs(stage).items()
            },
            doubts=[problem_json(p) for p in stage.doubts],
            **({} if names else {"unused": [_unused_json(u) for u in unused_of(result, over)]}),
            verdicts=[
                {
                    **v.json(),
                    **({"mode": over.where[v.check]} if over else {}),
                    **(_depends_json(drafts(v.check), v.check) if drafts else {}),
                }
                for v in result.verdicts
            ],
            waived=[
                {
                    "check": v.check,
                    "status": v.status,
                    "reason": reason,
                    **({"modes": over.waived[v.check, reason]} if over else {}),
                }
                for v, reason in result.waived
            ],
            **(_modes_json(over, between) if over else {}),
        )
    elif drafts:
        for verdict in result.verdicts:
            for line in derivation(verdict, context):
                context.out(line)
            if over:
                context.out(f"  worst of all modes: {over.where[verdict.check]}")
            for line in _depends(drafts(verdict.check), verdict.check, context):
                context.out(line)
            context.out("")
    else:
        for line in table(
            result,
            context,
            {o.replace("-", "_") for o in args.only},
            [
                *([f"{told_between(between)}; `gateword modes` shows them"] if between else []),
                *laid_over(stage),
                *([] if args.names else [*rounded(stage), *map(str, stage.doubts)]),
                *([] if args.names else [u.sentence() for u in unused_of(result, over)]),
            ],
            stage,
            over,
        ):
            context.out(line)
    counts = result.counts
    bad = counts["fails"] or (between is not None and between.open)
    if bad or (args.strict and (counts["low_margin"] or counts["not_computed"])):
        return Status.FINDINGS
    return Status.OK


def unused_of(result: Assessment, over: OverModes | None) -> list[Unused]:
    """The inputs of the stage that are stated for nothing; of a stage with modes in all of them."""
    from regmap.calc.unused import unused

    results = over.matrix.results if over else (result,)
    found = [unused(r.worked.inputs, r.worked.all()) for r in results if r.worked is not None]
    everywhere = [{u.name for u in of_one} for of_one in found]
    return [u for u in found[0] if all(u.name in names for names in everywhere)] if found else []


def _unused_json(found: Unused) -> dict[str, object]:
    return {
        "input": found.name.partition(":")[2],
        "origin": found.origin,
        "wants": [
            {"check": check, "one_of": [n.partition(":")[2] for n in names]}
            for check, names in found.wants.items()
        ],
    }


def between_of(stage: Stage, names: list[str] | None, found: Matrix) -> BetweenModes | None:
    """What lies between the modes of a stage, where it has any and not only some checks are asked for.

    `found` is what all checks say in them.
    """
    if not stage.modes or names:
        return None
    from regmap.assessment.fallback import between_modes

    return between_modes(stage, found.of(stage))


def told_between(between: BetweenModes) -> str:
    """One line of it."""
    ways, bad, gaps = len(between.ways), len(between.with_findings), len(between.gaps)
    return (
        f"{many(ways, 'transition')} between modes, {bad or 'none'} with findings; "
        f"{many(gaps, 'fault')} in a mode with nothing settled that follows"
    )


def _drafts(stage: Stage, over: OverModes | None) -> Callable[[str], Draft]:
    """For a check the draft of the mode in which it is worst; a draft keeps what it tried."""
    from regmap.draft.modes import ModeDrafts

    drafts = ModeDrafts(stage)
    return lambda check: drafts.of(over.mode_of(check).mode if over else "")


def _modes_json(over: OverModes, between: BetweenModes | None) -> dict[str, object]:
    found: dict[str, object] = {
        "modes": [
            {"mode": name, "counts": result.counts, "identity": identity(stage).json()}
            for name, result, stage in zip(
                over.matrix.names, over.matrix.results, over.matrix.stages, strict=True
            )
        ]
    }
    if between is not None:
        found["between_modes"] = between.json()
    return found


def _timeline(args: argparse.Namespace, stage: Stage, context: Context) -> int:
    """The instants of a period, of a start or of the way to sleep, with the verdicts that are read from them."""
    from regmap.assessment.stage import inputs_of
    from regmap.calc.timelines import timeline_of

    others = [f"--{n}" for n in ("csv", "html", "explain", "spice", "plot") if getattr(args, n)]
    if others or args.names:
        raise CallError(f"{[*args.names, *others][0]} beside --timeline", "the stage alone")
    inputs = inputs_of(stage)
    found = timeline_of(inputs, args.timeline, duty=args.duty, current=args.current)
    asked = [args.timeline] if args.timeline in ("startup", "sleep") else []
    result = assess(stage, names=asked) if asked else None
    verdicts = result.verdicts if result else ()
    if args.json:
        context.json(
            "timeline",
            stage=stage.name,
            chip=stage.chip.name,
            identity=identity(stage).json(),
            **found.json(),
            verdicts=[v.json() for v in verdicts],
        )
    else:
        for line in lines_of(found, context.width):
            context.out(line)
        for verdict in verdicts:
            told = needs(verdict) if verdict.missing else verdict.reason or verdict.sentence()
            context.out(wrap(f"{verdict.check}: {told}", context.width, hang="  "))
        context.out(wrap(CAUTION, context.width))
        context.out(wrap(str(identity(stage)), context.width, hang="  "))
    return Status.FINDINGS if result is not None and result.failed else Status.OK


def _depends_json(draft: Draft, check: str) -> dict[str, object]:
    """The settings and stage values that move a verdict, each with what it is now; found by running the check."""
    settings, inputs = draft.depends(check)
    return {"depends_on": {"settings": settings, "inputs": inputs}}


def _depends(draft: Draft, check: str, context: Context) -> list[str]:
    found: Any = _depends_json(draft, check)["depends_on"]
    lines = []
    for title, values in (("settings", found["settings"]), ("stage values", found["inputs"])):
        told = ", ".join(f"{n} ({v})" for n, v in values.items()) or "none"
        lines.append(wrap(f"depends on {title}: {told}", context.width, "  ", "    "))
    return lines


def laid_over(stage: Stage) -> list[str]:
    """The inputs of the shell line: the digests are those of the files without them."""
    return [
        f"{n}: {stated_as(n, v)} by --set, not as the stage has it"
        for n, v in changed_inputs(stage).items()
    ]


def rounded(stage: Stage) -> list[str]:
    """The settings whose wish says more than their code: what the chip has, what was asked, the error, why."""
    return [
        f"{s.name} is {s.choice.reading.label}: {s.choice.told}"
        for s in stage.settings
        if s.choice.told
    ]


def percent(share: float | None) -> str:
    """A margin as people read it: `+12 %`; without a number where there is none."""
    if share is None or share in (float("inf"), float("-inf")):
        return ""
    if abs(share) >= 9.995:
        return ">+999 %" if share > 0 else "<-999 %"
    return f"{share * 100:+.1f} %" if abs(share) < 0.0995 else f"{share * 100:+.0f} %"


def row(verdict: Verdict, name: str = "") -> list[str]:
    """One verdict as table cells: sign, check, worst value, relation, limit, margin."""
    value = limit = relation = ""
    if verdict.value is not None:
        value = verdict.worst_value
    if verdict.limit is not None:
        relation = (
            "<="
            if verdict.worst_max or (verdict.worst_max is None and verdict.relation == "at most")
            else ">="
        )
        limit = verdict.worst_limit
    if verdict.reason and not value:
        limit = verdict.reason
    return [
        WORDS[verdict.status],
        name or verdict.check,
        value,
        relation,
        limit,
        percent(verdict.relative),
    ]


_WHERE = {
    "stage": "in the stage",
    "chip": "in the map's electrical",
    "role": "as a role in the map",
}


def needs(verdict: Verdict | NotComputed) -> str:
    """What a verdict lacks, whole, with where to state it: `needs mosfet.qg, spi.clock in the stage`."""
    from regmap.parameters import CHIP

    groups: dict[str, list[str]] = {}
    for item in verdict.missing:
        kind, colon, rest = item.partition(":")
        where = _WHERE.get(kind, "") if colon else ""
        if kind == "role" and rest in CHIP:
            where += " or in its electrical"
        groups.setdefault(where, []).append(rest if where else item)
    return "needs " + "; ".join(
        f"{', '.join(names)} {where}".rstrip() for where, names in groups.items()
    )


def table(
    result: Assessment,
    context: Context,
    only: set[str],
    notes: Sequence[str] = (),
    stage: Stage | None = None,
    over: OverModes | None = None,
) -> list[str]:
    """The verdicts as text, worst first, and the sum; `over` says in which mode each is worst."""
    from regmap.calc import fold_sides

    chosen = [v for v in result.verdicts if not only or v.status in only]
    folded = fold_sides(chosen)
    if over:  # two sides that are worst in two modes stay apart
        by_mode = {
            n: fold_sides([v for v in chosen if over.where[v.check] == n])
            for n in over.matrix.names
        }
        order = {id(v): n for n, v in enumerate(chosen)}
        folded = sorted(
            (f for found in by_mode.values() for f in found), key=lambda f: order[id(f[2])]
        )
    shown = [v for _, _, v in folded]
    modes = {id(v): over.where[v.check] for v in shown} if over else {}
    named = [m for m in modes.values() if m != STATED]
    known = [(n, v) for n, _, v in folded if not v.missing and not (v.reason and v.value is None)]
    names = {id(v): n for n, _, v in folded}
    cells = [[" " * SIGN, "check", "worst case", "", "limit", "margin"]] + [
        row(v, n) for n, v in known
    ]
    if named:
        cells[0].append("mode")
        for (_, verdict), cell in zip(known, cells[1:], strict=True):
            mode = modes[id(verdict)]
            cell.append(mode if mode != STATED else "")
    widest = max((len(n) for n in [*names.values(), "check"]), default=5)
    for cell in cells:
        cell[1] = cell[1].ljust(widest)
    rest = context.width - widest - SIGN - 1 - 12 - 3 - 8 - 5
    rest -= max(len(c[6]) for c in cells) + 1 if named else 0
    cells = [
        [
            c[0],
            c[1],
            c[2],
            c[3],
            c[4] if len(c[4]) <= max(rest, 14) else c[4][: max(rest, 14) - 1] + "~",
            *c[5:],
        ]
        for c in cells
    ]
    lines = columns(cells, gap=1, right=[5])
    drawn = {id(v): line for (_, v), line in zip(known, lines[1:], strict=True)}
    styled = lines[:1] if known else []
    for verdict in shown:
        sign = WORDS[verdict.status]
        if id(verdict) in drawn:
            body = [drawn[id(verdict)]]
        else:
            found = f"{verdict.value.text()}, " if verdict.value is not None else ""
            text = found + needs(verdict) if verdict.missing else verdict.reason
            if named and modes[id(verdict)] != STATED:
                text += f" ({modes[id(verdict)]})"
            body = columns(
                [[sign.ljust(SIGN), names[id(verdict)].ljust(widest), text]],
                gap=1,
                fold=context.width,
            )
        styled.append(context.style(sign, STYLES[verdict.status]) + body[0][len(sign) :])
        styled += body[1:]
    for verdict, reason in result.waived:
        there = over.waived[verdict.check, reason] if over else ()
        where = f" in {', '.join(there)}" if over and len(there) < len(over.matrix.names) else ""
        line = f"waived {verdict.check}{where} ({WORDS[verdict.status]}): {reason}"
        styled.append(wrap(line, context.width, hang="    "))
    if over:
        styled.append("")
    for name, stated, held in (
        zip(over.matrix.names, over.matrix.stages, over.matrix.results, strict=True) if over else ()
    ):
        line = f"{name}: {tally(held.counts)}; settings {identity(stated).settings[:DIGITS]}"
        styled.append(wrap(line, context.width, hang="  "))
    styled += [wrap(note, context.width, hang="  ") for note in notes]
    counts = result.counts
    styled.append("")
    styled.append(wrap(CAUTION, context.width))
    if stage is not None:
        styled.append(wrap(str(identity(stage)), context.width, hang="  "))
    failed = [v.check for v in result.verdicts if v.status == "fails"]
    summary = tally(counts)
    styled.append(summary + (f"; first: {failed[0]}" if failed else ""))
    return styled


def derivation(verdict: Verdict, context: Context) -> list[str]:
    """Everything behind one verdict: formula, inputs with origin, steps, sources, corner, caution."""
    width = context.width
    lines = [
        context.style(verdict.check, "head") + f"  {verdict.title}",
        wrap(f"formula: {verdict.formula}", width, "  ", "    "),
    ]
    lines.append("  inputs")
    rows = []
    for item in verdict.inputs:
        origin = (item.origin.origin if item.origin else "") or item.note
        rows.append([item.symbol, item.text(), origin])
    lines += ["    " + line for line in columns(rows, fold=width - 4)]
    lines.append("  steps")
    for step in verdict.steps:
        own = " " * (4 + len(step) - len(step.lstrip()))
        lines.append(wrap(step.lstrip(), width, own, own + "  "))
    if verdict.sources:
        lines.append("  sources")
        rows = [[s.symbol, s.source] for s in verdict.sources]
        lines += ["    " + line for line in columns(rows, fold=width - 4)]
    if verdict.corner:
        lines.append(wrap(f"worst corner: {verdict.corner}", width, "  ", "    "))
    for name in verdict.missing:
        from regmap.calc import describe

        lines.append(wrap(f"missing: {name}, {describe(name)}", width, "  ", "    "))
    lines.append(wrap(verdict.caution, width, "  "))
    sign = context.style(WORDS[verdict.status], STYLES[verdict.status])
    lines.append(
        f"  verdict: {sign}"
        + (f", margin {percent(verdict.relative)}" if percent(verdict.relative) else "")
    )
    return lines


def _files(args: argparse.Namespace, stage: Stage, context: Context) -> None:
    from regmap.assessment.stage import inputs_of

    inputs = inputs_of(stage)
    if args.spice:
        from regmap.calc.spice import deck

        write_text(
            Path(args.spice),
            deck(inputs, title=f"half-bridge, one edge each way; {identity(stage)}"),
        )
        context.err(f"wrote {args.spice}")
    if args.plot:
        from regmap.calc.plot import plots
        from regmap.calc.svg import stamped

        folder = Path(args.plot)
        folder.mkdir(parents=True, exist_ok=True)
        drawn = plots(inputs, duty=args.duty, current=args.current)
        for name, svg in drawn.items():
            write_text(folder / f"{name}.svg", stamped(svg, str(identity(stage))))
            context.err(f"wrote {folder / name}.svg")
