"""`gateword diff`: two stages, or a stage and a capture or readback."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING, Any

from regmap.assessment.diff import (
    Difference,
    FigureDiff,
    diff_bank,
    diff_stages,
    diff_words,
    status_of,
)
from regmap.behaviour.readback import load_readback, looks_like_readback, parse_readback
from regmap.calc import WORDS
from regmap.chip.bank import Bank
from regmap.errors import CallError, FileError
from regmap.quantity import many
from regmap.stages.load import Stage, load_stage

from .check import STYLES, add_set, percent, stage_with
from .context import Context, Status, hexword, wrap
from .documents import add_mode, standard_input

if TYPE_CHECKING:
    from regmap.calc import Verdict

NAME = "diff"
HELP = "differences of two stages, or of a stage and a capture or readback"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("a", metavar="STAGE", help="a stage: a path or a bundled name")
    parser.add_argument(
        "b",
        metavar="B",
        nargs="+",
        help="another stage, or a mode of STAGE; a file of REG=WORD lines or of `link read --json`; REG=WORD ...; or a logic capture",
    )
    parser.add_argument(
        "--at",
        metavar="TIME",
        help="of a capture: what the chip holds then (12.5 ms), not at the end",
    )
    add_set(parser)
    add_mode(parser)
    parser.add_argument(
        "--brief", action="store_true", help="only the sum, and what turns to failing"
    )
    parser.add_argument("--json", action="store_true", help="one JSON object")


def run(args: argparse.Namespace, context: Context) -> int:
    if args.a == "-" and "-" in args.b:
        raise CallError("standard input is one of the two, not both")
    stage = stage_with(args.a, args.set, context, args.drive_mode)
    result = compared(stage, args.b, args.at, context)
    if args.json:
        context.json("diff", **result.json())
    else:
        for line in text(result, context, brief=args.brief):
            context.out(line)
    return Status.OK if result.same else Status.FINDINGS


def compared(stage: Stage, names: list[str], at: str | None, context: Context) -> Difference:
    """Tell what B is, and compare."""
    if at is not None:
        if len(names) != 1:
            raise CallError("--at goes with one capture")
        return _capture(stage, names[0], at)
    if all("=" in n and not Path(n).exists() for n in names):
        return diff_words(
            stage, parse_readback("\n".join(names), stage.chip, "shell line"), "the words given"
        )
    if len(names) > 1:
        raise CallError("more than one B", "one stage, one file, or REG=WORD ...")
    name = names[0]
    if name == "-":
        return diff_words(
            stage,
            parse_readback(standard_input(context), stage.chip, "standard input"),
            "standard input",
        )
    path = Path(name)
    if name in stage.modes and not path.exists():
        return diff_stages(stage, stage.modes[name])
    if path.suffix in (".yaml", ".yml") or not path.exists():
        other = load_stage(name)
        context.reads(other)
        return diff_stages(stage, other)
    if path.is_file() and looks_like_readback(_start(path)):
        return diff_words(stage, load_readback(path, stage.chip), name)
    return _capture(stage, name, None)


def _start(path: Path) -> str:
    """The beginning of a file as text; what is no text gives nothing."""
    try:
        with path.open("rb") as handle:
            return handle.read(4096).decode()
    except UnicodeDecodeError:
        return ""


def _capture(stage: Stage, name: str, at: str | None) -> Difference:
    from regmap.maps.load import maps_around
    from regmap.trace.belief.against import bank_at
    from regmap.trace.filed import trace_file
    from regmap.trace.telling.story import tell

    from .capture import ticks

    if not Path(name).exists():
        raise CallError(f"{name} is no file", "a logic capture")
    chips = list(stage.chain or (stage.chip,))
    trace = trace_file(name, chips)
    if trace.problems and not trace.frames:
        raise FileError(list(trace.problems))
    grave = tell(
        trace, others=lambda: maps_around(c.files[-1] for c in chips if c.files)
    ).diagnosis.grave
    if grave:
        raise CallError(f"{name}: {grave[0]}; nothing in it can be compared")
    when = trace.end if at is None else ticks(at, trace.clock)
    known: Bank = bank_at(
        trace.walkers[stage.position if stage.position < len(trace.walkers) else 0], when
    )
    return diff_bank(stage, known, f"{name} at {trace.clock.text(when)}")


# --- the text for people -------------------------------------------------------------------------
def text(result: Difference, context: Context, *, brief: bool = False) -> list[str]:
    """What differs; the sum in the last line."""
    lines: list[str] = []

    def say(line: str, indent: str = "", hang: str | None = None) -> None:
        lines.append(wrap(line, context.width, indent, hang))

    shown = () if brief else result.registers
    for register in shown:
        words = [
            hexword(w, register.width) if w is not None else "not wholly known"
            for w in (register.old, register.new)
        ]
        say(context.style(register.name, "head") + f" {words[0]} -> {words[1]}", "", "  ")
        for field in register.fields:
            change = f" ({percent(field.change)})" if field.change else ""
            say(
                f"{field.name.partition('.')[2]}: {field.old.label} -> {field.new.label}{change}",
                "  ",
                "    ",
            )
    for value in () if brief else result.joined:
        change = f" ({percent(value.change)})" if value.change else ""
        say(f"{value.name}: {value.old.label} -> {value.new.label}{change}", "", "  ")
    for title, figures in (
        ("Set outside the frame", result.externals),
        ("Stage", result.figures),
        ("Settings by role", result.roles),
    ):
        if figures and not brief:
            lines.append(context.style(title, "head"))
            for figure in figures:
                say(
                    f"{figure.name}: {_shown(figure, 'old')} -> {_shown(figure, 'new')}",
                    "  ",
                    "    ",
                )
    verdicts = [
        v
        for v in result.verdicts
        if not brief or (v.new is not None and v.new.status == "fails" and v.turned)
    ]
    if verdicts:
        lines.append(context.style("Verdicts", "head"))
        hardly = 0
        for item in verdicts:
            old, new = _verdict(item.old, context), _verdict(item.new, context)
            if old == new:
                hardly += 1
            else:
                say(f"{item.check}: {old} -> {new}", "  ", "    ")
        if hardly:
            say(f"{hardly} more by less than these figures show", "  ")
    if result.unknown:
        say(f"Not known in {result.b}: {', '.join(result.unknown)}", "", "  ")
    say(_sum(result))
    return lines


def _shown(figure: FigureDiff, side: str) -> str:
    value: Any = getattr(figure, side)
    if value is None:
        return "not stated"
    return str(getattr(value, "label", value))


def _verdict(verdict: Verdict | None, context: Context) -> str:
    if verdict is None:
        return status_of(verdict)
    return f"{context.style(WORDS[verdict.status], STYLES[verdict.status])} {percent(verdict.relative)}".rstrip()


def _sum(result: Difference) -> str:
    pair = f"{result.a} and {result.b}"
    if result.same:
        rest = (
            f", as far as known ({result.compared} registers)"
            if result.unknown
            else f" ({result.compared} registers)"
        )
        return f"No difference between {pair}{rest}."
    parts = []
    if result.chips[0] != result.chips[1]:
        parts.append(f"other chips ({result.chips[0]}, {result.chips[1]})")
    fields = sum(len(r.fields) for r in result.registers)
    counts = [
        (len(result.registers), "register"),
        (fields, "field"),
        (len(result.externals), "outside value"),
        (len(result.figures), "figure"),
        (len(result.roles), "role"),
    ]
    parts += [many(n, what) for n, what in counts if n]
    turned = sum(v.turned for v in result.verdicts)
    failing = sum(
        v.turned and v.new is not None and v.new.status == "fails" for v in result.verdicts
    )
    tail = (
        f"; {len(result.verdicts)} verdicts change, {turned} turn, {failing} to failing"
        if result.verdicts
        else "; no verdict changes"
    )
    return f"{pair} differ in {', '.join(parts) or 'verdicts'}{tail}."
