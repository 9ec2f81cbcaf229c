"""Timelines as text: a PWM period, a start, the way to sleep, instant by instant with min / typ / max."""

from __future__ import annotations

import shlex
from collections.abc import Iterable
from typing import TYPE_CHECKING

from .context import columns, wrap

if TYPE_CHECKING:
    from regmap.calc.duty import Direction
    from regmap.calc.timelines import Moment, Timeline


def asked_of_period(words: list[str]) -> tuple[str, Direction | None]:
    """The duty and the direction of the current that follow a side, as typed: `highest out`, `30 % in`."""
    from regmap.calc.duty import DIRECTIONS

    current = next((d for d in DIRECTIONS if words[-1:] == [d]), None)
    return " ".join(words[:-1] if current else words), current


def as_options(words: list[str]) -> str:
    """The same as options of `gateword check --timeline`."""
    duty, current = asked_of_period(words)
    told = f" --duty {shlex.quote(duty)}" if duty else ""
    return told + (f" --current {current}" if current else "")


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
    told = f", {found.counted}: min / typ / max" if found.groups else ""
    lines = [wrap(f"{found.title}{told}", width, hang="  ")]
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
