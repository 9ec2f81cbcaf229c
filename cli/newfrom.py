"""`gateword new map --from`: a map out of sources, its update to a newer revision, and the walk through its doubts."""

from __future__ import annotations

import argparse
from pathlib import Path

from regmap.document.doubts import stated_doubts
from regmap.document.source import read_text
from regmap.errors import CallError
from regmap.intake import FoundSheet, map_text, read_sources
from regmap.intake.settling import Settling, Shown
from regmap.intake.update import changes, merged
from regmap.quantity import many

from .context import Context, Status, wrap
from .files import write_text

_HELP = "s: the entry is right   = TEXT: the entry becomes TEXT   Enter: leave the doubt   q: stop"


def run_from(args: argparse.Namespace, name: str, context: Context) -> int:
    """The map of the sources into args.file; every doubt is told, worst first, at its line."""
    path = Path(args.file)
    there = args.file != "-" and path.exists()
    if args.update and not there:
        raise CallError(f"--update: there is no map {args.file}", "-o FILE, the map to update")
    if there and not args.force and not args.update:
        raise CallError(f"{path} is there already", "a new name, or --force")
    if args.ask and args.file == "-":
        raise CallError("--ask writes what is settled", "-o FILE beside it")
    sheet = read_sources(args.sources, args.pages)
    text = map_text(sheet, name)
    if args.update:
        older = read_sources(args.update, "" if args.pages_before is None else args.pages_before)
        text, clashes = merged(map_text(older, name), read_text(path), text)
        found = changes(older, sheet)
        for line in found:
            context.err(wrap(f"changed: {line}", context.width, hang="  "))
        context.err(
            f"{many(len(found), 'change')}, {many(clashes, 'place')} that the sheet and a person changed"
        )
    if args.ask:
        text = _walk(text, sheet, context)
    if args.file == "-":
        context.stdout.write(text)
    else:
        write_text(path, text)
    doubts = stated_doubts(text)
    for doubt in doubts:
        context.err(f"{args.file}:{doubt.line}: {doubt.grade} doubt: {doubt.text}")
    fields = sum(not f.reserved for r in sheet.registers for f in r.fields)
    context.err(
        f"{many(len(sheet.registers), 'register')}, {many(fields, 'field')}, {many(len(doubts), 'doubt')}"
        + ("" if args.file == "-" else f"; wrote {path}; next: gateword vet {path}")
    )
    return Status.OK


def _walk(text: str, sheet: FoundSheet, context: Context) -> str:
    """Doubt by doubt, worst first, with the sheet's row beside each; what is settled leaves the map."""
    settling = Settling(text, sheet)
    context.err(_HELP)
    while (shown := settling.next()) is not None:
        _show(shown, context)
        answer = _answer(context)
        if answer is None or answer == "q":
            break
        if answer == "s":
            settling.settle(shown.doubt)
        elif answer.startswith("=") and answer[1:].strip():
            settling.correct(shown.doubt, answer[1:])
        elif answer:
            context.err(f"{answer[:40]!r} is no answer; expected {_HELP}")
        else:
            settling.leave(shown.doubt)
    return settling.text


def _show(shown: Shown, context: Context) -> None:
    context.err(wrap(f"{shown.doubt.grade} doubt: {shown.doubt.text}", context.width, hang="  "))
    if shown.entry:
        context.err(wrap(f"map:   {shown.entry}", context.width, "  ", "    "))
    if shown.sheet:
        context.err(wrap(f"sheet: {shown.sheet}", context.width, "  ", "    "))


def _answer(context: Context) -> str | None:
    """One line: with editing on a terminal, else from standard input; None at its end."""
    if context.stdin.isatty():
        from prompt_toolkit import prompt

        try:
            return prompt("? ").strip()
        except (EOFError, KeyboardInterrupt):
            return None
    line = context.stdin.readline()
    return line.strip() if line else None
