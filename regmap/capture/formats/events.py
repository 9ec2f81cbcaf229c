"""Tables of single events: one row a change, with the time, the line's name and its new level.

    time us, line, level
    0.0, ncs, 0
    0.4, sclk, 1

The lines are those named in the first 64 KiB; what a line holds before its first row is unknown.
"""

from __future__ import annotations

import re
from fractions import Fraction

import numpy as np

from ..arrays import Changes, Indices, Times, distinct
from ..lines.levels import Levels
from ..lines.signals import Channel, Findings
from .blocks import BLOCK, BlockCapture
from .source import CaptureSource, text_of
from .table import TableBody
from .tablecells import HOLD, Cells, Origin
from .tablehead import (
    LEVELS,
    Column,
    TableHead,
    find_delimiter,
    is_comment,
    number_like,
    split,
    unit_power,
)
from .tokens import ByteBlock

_NAME = re.compile(r"[A-Za-z_\\][\w.\[\]:#/ -]{0,63}")
_HEAD = 1 << 16


def event_head(
    text: str, findings: Findings, *, complete: bool, decimal: str | None, time_unit: str | None
) -> tuple[TableHead, list[str]] | None:
    """The head and the names of the lines if the table is one of events, else None."""
    lines = text.split("\n")
    if not complete and len(lines) > 1:
        lines = lines[:-1]
    delimiter, count = find_delimiter(lines)
    if count != 3:
        return None
    point = decimal or (
        "," if delimiter == ";" and re.search(r"^[ \t]*\d+,\d+[ \t]*;", text, re.M) else "."
    )

    def fits(row: list[str]) -> bool:
        return (
            len(row) == 3
            and number_like(row[0], point)
            and _NAME.fullmatch(row[1]) is not None
            and row[2].casefold() in LEVELS
        )

    rows = [split(line, delimiter) for line in lines if not is_comment(line)]
    good = [row for row in rows if fits(row)]
    if (
        not good
        or len(good) < 0.8 * (len(rows) - 1)
        or all(r[1].casefold() in LEVELS for r in good)
    ):
        return None
    first = next(i for i, line in enumerate(lines) if fits(split(line, delimiter)))
    title = next((split(x, delimiter) for x in lines[:first][::-1] if x.strip()), [""])
    name = title[0].lstrip("#%/! ")
    head = TableHead(delimiter, point, skip=first, power=unit_power(name, "", time_unit, findings))
    head.columns = [Column("time", "time"), Column("line", "bit"), Column("level", "bit")]
    digits = max(len(r[0].partition(point)[2]) for r in good)
    head.fine = digits - head.power > 12
    return head, list(dict.fromkeys(r[1] for r in good))


class EventCells(Cells):
    """Sorts the levels of a block to the lines that the column before them names."""

    def __init__(self, names: list[str], body: TableBody, levels: Levels) -> None:
        super().__init__(body.head, body.findings, levels, [0, 0, 0], body.problem)
        self._channel = {name.encode(): index for index, name in enumerate(names)}
        self._names: list[bytes] = []
        self._found: Changes = {}

    def collect(self) -> Changes:
        """The changes since the last call, by channel."""
        found, self._found = self._found, {}
        return found

    def column(
        self,
        block: ByteBlock,
        index: int,
        column: Column,  # noqa: ARG002 -- the place in the row says it all
        starts: Indices,
        ends: Indices,
        times: Times,
        origin: Origin | None,
    ) -> None:
        """Column 1 names the lines, column 2 holds the levels."""
        if index == 1:
            self._names = block.texts(starts, np.minimum(ends, starts + 64)).tolist()
            self._places = starts, ends
            return
        owners = np.array([self._channel.get(n, -1) for n in self._names], np.int64)
        for row in np.flatnonzero(owners < 0)[:8].tolist():
            a, b = (int(p[row]) for p in self._places)
            shown = self._names[row].decode("utf-8", "replace")
            self._report(
                block,
                a,
                b,
                origin,
                f"no line {shown!r} at the start of the table",
                "the name of a line",
            )
        values = self._levels(block, starts, ends, origin)
        for owner in distinct(owners[owners >= 0]).tolist():
            places = np.flatnonzero((owners == owner) & (values != HOLD))
            if len(places):
                self._found[owner] = times[places], values[places]


class EventCapture(BlockCapture):
    """A table of events; made by `open_capture` when the head shows one."""

    format = "csv"

    def __init__(
        self,
        source: CaptureSource,
        head: TableHead,
        names: list[str],
        findings: Findings,
        *,
        levels: Levels | None = None,
        block: int = BLOCK,
    ) -> None:
        data = source.read(_HEAD)
        offset = 0
        for _ in range(head.skip):
            offset = data.find(b"\n", offset) + 1
        source.unread(data[offset:])
        findings.note(f"a table of events of {len(names)} lines: {', '.join(names[:8])}")
        body = TableBody(head, findings, levels or Levels(), [0, 0, 0])
        body.cells = EventCells(names, body, levels or Levels())
        channels = tuple(Channel(index=i, name=n) for i, n in enumerate(names))
        tick = Fraction(1, 10 ** (15 if head.fine else 12))
        super().__init__(
            findings, tick, channels, source, body, line=head.skip + 1, offset=offset, block=block
        )


def open_events(
    source: CaptureSource, *, levels: Levels, decimal: str | None, time_unit: str | None, block: int
) -> EventCapture | None:
    """A capture if the source holds a table of events; else None and the source is as it was."""
    data = source.read(_HEAD)
    source.unread(data)
    findings = Findings(source.name)
    text = text_of(data)
    found = event_head(
        text, findings, complete=len(data) < _HEAD, decimal=decimal, time_unit=time_unit
    )
    if found is None:
        return None
    return EventCapture(source, *found, findings, levels=levels, block=block)
