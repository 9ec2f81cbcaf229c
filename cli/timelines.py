"""Timelines as text: a PWM period, a start, the way to sleep, instant by instant with min / typ / max."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from .context import columns, wrap

if TYPE_CHECKING:
    from regmap.calc.timelines import Moment, Timeline


def cells(entries: Iterable[Moment], *, spans: bool = True) -> list[list[str]]:
    """A row of each instant: its name, when, and (with `spans`) how long the phase takes that it ends."""
    return [
        [e.name, e.time.text(), *([f"takes {e.span.text()}"] if spans and e.span else [])]
        for e in entries
    ]


def ending(found: Timeline) -> list[str]:
    """What it leads to, its limit, what is told of it, and what is not stated."""
    lines = []
    if found.end is not None:
        limit = "" if found.limit is None else f", at most {found.limit.text()}"
        lines.append(f"{found.end.name}: {found.end.time.text()}{limit}")
    lines += found.notes
    if found.missing:
        from regmap.calc import describe

        lines.append("left out, as not stated:")
        lines += [f"  {name}: {describe(name)}" for name in found.missing]
    return lines


def lines_of(found: Timeline, width: int) -> list[str]:
    """The whole timeline for people."""
    lines = [f"{found.title}, {found.counted}: min / typ / max"]
    for group in found.groups:
        if len(found.groups) > 1:
            lines.append(group.title)
        beside = columns(cells(group.entries))
        if max(map(len, beside)) <= width - 2:
            lines += [f"  {row}".rstrip() for row in beside]
            continue
        # too narrow: how long a phase takes stands below its end
        for row, entry in zip(
            columns(cells(group.entries, spans=False)), group.entries, strict=True
        ):
            lines.append(f"  {row}".rstrip())
            lines += [f"    takes {entry.span.text()}"] if entry.span is not None else []
    return [*lines, *(wrap(text, width, hang="  ") for text in ending(found))]
