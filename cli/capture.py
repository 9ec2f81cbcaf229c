"""`gateword capture`: what happened on the bus of a logic capture."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from regmap.mapfile import load_map
from regmap.model import Chip

from .context import Context, Status, hexword, wrap

if TYPE_CHECKING:
    from regmap.trace.events import Event, Note, Quiet
    from regmap.trace.story import Story
    from regmap.trace.tracer import Trace

NAME = "capture"
HELP = "transfers, faults and timing of a logic capture"


def add_arguments(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", help="a value change dump, table, raw samples or list of words, gz too; - for standard input")
    parser.add_argument("--map", metavar="MAP", action="append", default=[], help="the chip's map: a path or a shipped name; several for a daisy chain, nearest to the controller's output first")
    parser.add_argument("--fail-on-fault", action="store_true", help="exit status 1 when a fault is found")
    parser.add_argument("--json", action="store_true", help="one JSON object a line, the summary last")


def run(args: argparse.Namespace, context: Context) -> int:
    from regmap.capture.opening import open_capture
    from regmap.trace.story import tell
    from regmap.trace.tracer import trace_capture

    chips = [load_map(name) for name in args.map]
    with open_capture(args.file) as capture:
        trace = trace_capture(capture, chips)
    story = tell(trace)
    for line in report_lines(trace, story, context):
        context.out(line)
    for problem in trace.problems:
        context.err(problem.render(context.width))
    return Status.FINDINGS if args.fail_on_fault and story.faulty else Status.OK


def report_lines(trace: Trace, story: Story, context: Context) -> Iterator[str]:
    """Timeline, explained faults, summary; the most important line last."""
    from regmap.trace.timeline import timeline

    for item in timeline(trace):
        yield from item_lines(trace, item, context)
    yield ""
    yield from summary_lines(trace, story, context)


def item_lines(trace: Trace, item: Event | Quiet, context: Context) -> Iterator[str]:
    from regmap.trace.events import Quiet

    if isinstance(item, Quiet):
        what = ", ".join(f"{count} x {title}" for title, count in item.counts.items())
        text = f"{'':>13} {item.frames} frame{'s' * (item.frames > 1)} without news: {what}"
        yield context.style(wrap(text, context.width, hang=" " * 16), "dim")
        return
    time = f"{trace.clock.text(item.time):>13}"
    if item.kind == "pin":
        yield f"{time}        {context.style(item.notes[0].text, 'head')}"
        return
    chip = trace.chips[item.chip]
    who = f"{item.chip}:" if len(trace.chips) > 1 else ""
    head = f"{time} {who + str(item.number):>6} {item.kind:<6} {item.register}"
    if item.data is not None and item.register:
        head += f" {hexword(item.data, chip.registers[item.register].width)}"
    elif item.kind == "rejected" or not item.register:
        head += f" {hexword(item.word or 0, item.bits)}"
    yield head.rstrip()
    for change in item.changes:
        yield wrap(change, context.width, " " * 22, " " * 24)
    for note in item.notes:
        yield note_line(note, context)


def note_line(note: Note, context: Context) -> str:
    role = {"bad": "bad", "warn": "warn", "good": "good", "info": "dim"}[note.weight]
    return context.style(wrap(note.text, context.width, " " * 22, " " * 24), role)


def summary_lines(trace: Trace, story: Story, context: Context) -> Iterator[str]:
    from .explain import explanation_lines

    for episode in story.episodes:
        yield from explanation_lines(trace.chips[episode.chip], episode.explanation, context)
        yield ""
    counts = ", ".join(f"{n} {kind}" for kind, n in story.counts.items())
    yield f"{trace.name}: {trace.transfers} transfers, {trace.frames} frames ({counts})"
    for text in story.telling:
        yield wrap(text, context.width, hang="  ")


def need_maps(names: Iterable[str]) -> list[Chip]:
    """The chips of a chain, nearest first."""
    return [load_map(n) for n in names]
