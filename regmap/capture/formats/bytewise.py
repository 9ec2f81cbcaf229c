"""Tables with one byte a row, as decoders of a serial line write them: joined to the frames that they were.

    Time [us], packet, MOSI, MISO           time, select, tx, rx            10:00:01.250 80 00
    12.0, 0, 0x80, 0x00                     0.1, 0, 80, 00
    13.6, 0, 0x01, 0x12                     0.2, 0, 01, 12
    50.0, 1, 0x84, 0x00                     0.3, 1, ,

Bytes belong together that have one packet number, that stand in one run of an active select (a row without bytes ends
it), or that no pause parts, in this order, or as `join` says. A pause parts where the times between bytes fall into two
groups that nobody can mistake; else the table is refused instead of guessed at.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from fractions import Fraction
from itertools import pairwise
from typing import Literal

from regmap.errors import CaptureError
from regmap.record import dataclass

from ..lines.channels import role_by_name
from ..lines.signals import Findings
from ..spi import SpiSetup, Transfers
from .clocktext import DayClock, looks_like, seconds_of
from .source import CaptureSource, text_of
from .tablehead import find_delimiter, is_comment, is_time_name, split, unit_power
from .wordrows import RowsCapture, WordRow

Join = Literal["packet", "select", "pause", "none"]
JOINS = ("packet", "select", "pause", "none")
_GROUP = re.compile(
    r"(packet|transaction|transfer|frame|burst|message)\W*(id|no\.?|number|index|#)?", re.I
)
_BYTE = re.compile(r"0[xX]([0-9a-fA-F]{1,2})|([0-9a-fA-F]{1,2})[hH]|0[bB]([01]{1,8})")
_BARE = re.compile(r"[0-9a-fA-F]{1,3}")
_LINE_LIMIT = 4096
#: A pause is this many times longer than what lies between bytes of a frame.
_APART = 4


@dataclass(slots=True)
class ByteHead:
    """Where everything stands; `base` of digits without a prefix, `pause` in ticks where pauses join."""

    delimiter: str
    skip: int
    columns: int
    command: int | None
    reply: int | None
    time: int | None
    clock: bool
    group: int | None
    select: int | None
    power: int
    base: int
    names: list[str]
    join: Join = "none"
    pause: int = 0


def byte_head(
    text: str, source: str, *, complete: bool, join: str | None, time_unit: str | None
) -> tuple[ByteHead, list[str]] | None:
    """The head and notes if this is a table of bytes by name, else None. CaptureError if it cannot be joined."""
    lines = text.split("\n")
    if not complete and len(lines) > 1:
        lines = lines[:-1]
    delimiter, count = find_delimiter(lines)
    place, names = next(
        ((i, split(x.lstrip("#%/! "), delimiter)) for i, x in enumerate(lines[:40]) if _names(x, delimiter)),
        (-1, []),
    )  # fmt: skip
    if place < 0 or not 2 <= count == len(names):
        return None
    rows = [split(x, delimiter) for x in lines[place + 1 :] if not is_comment(x)]
    rows = [r for r in rows if len(r) == count]
    roles: dict[str, int] = {}
    for index, name in enumerate(names):
        told = role_by_name(name)
        if told is not None:
            roles.setdefault(told[0], index)
    data = [i for i in (roles.get("command"), roles.get("reply")) if i is not None]
    cells = [r[i] for r in rows for i in data if r[i]]
    fits = [c for c in cells if _BYTE.fullmatch(c) or _BARE.fullmatch(c)]
    if not data or len(cells) < 2 or len(fits) < 0.9 * len(cells):
        return None
    # a few bad cells do not make another kind of table; they are located when they are read
    cells = fits
    if all(c in ("0", "1") for c in cells):
        return None  # levels of lines
    base = _base([names[i] for i in data], cells)
    time = next((i for i, n in enumerate(names) if is_time_name(n)), None)
    group = next((i for i, n in enumerate(names) if _GROUP.fullmatch(n.strip())), None)
    select = roles.get("select")
    findings = Findings(source)
    clock = (
        time is not None and bool(rows) and all(looks_like(r[time]) for r in rows[:20] if r[time])
    )
    power = 0
    if time is not None and not clock:
        power = unit_power(names[time], "", time_unit, findings)
    head = ByteHead(
        delimiter=delimiter, skip=place + 1, columns=count, command=roles.get("command"), reply=roles.get("reply"),
        time=time, clock=clock, group=group, select=select, power=power, base=base, names=names,
    )  # fmt: skip
    if base == 0:
        cell = next(c for c in cells if not _BYTE.fullmatch(c))
        raise CaptureError.at(
            source,
            f"{cell!r} in column {names[data[0]]!r} may be decimal or hexadecimal",
            "bytes as 0x80 or 80h, or (hex) or (dec) in the head of the column",
        )
    if sum((_value(c, base) or 0) <= 255 for c in cells) < 0.9 * len(cells):
        return None  # words, not bytes
    _choose(head, rows, source, join, findings.notes)
    return head, findings.notes


def _names(line: str, delimiter: str) -> bool:
    fields = split(line.lstrip("#%/! "), delimiter)
    roles = [role_by_name(f) for f in fields]
    return any(r and r[0] in ("command", "reply") for r in roles) and not any(
        _BYTE.fullmatch(f) or re.fullmatch(r"[\d.]+", f) for f in fields
    )


def _base(names: list[str], cells: list[str]) -> int:
    """16 or 10 for digits without a prefix; 0 where nobody can tell."""
    bare = [c for c in cells if not _BYTE.fullmatch(c)]
    told = " ".join(names).casefold()
    if not bare or re.search(r"\bhex", told):
        return 16
    if re.search(r"\bdec", told):
        return 10
    if any(re.search(r"[a-fA-F]", c) for c in bare) or all(len(c) == 2 for c in bare):
        return 16
    return 10 if any(len(c) == 3 for c in bare) else 0


def _value(cell: str, base: int) -> int | None:
    found = _BYTE.fullmatch(cell)
    if found is not None:
        digits = found[1] or found[2]
        return int(digits, 16) if digits else int(found[3], 2)
    try:
        return int(cell, base)
    except ValueError:
        return None


def _choose(
    head: ByteHead, rows: list[list[str]], source: str, join: str | None, notes: list[str]
) -> None:
    """How bytes are joined; CaptureError where neither the table nor the caller says it."""
    has = {"packet": head.group is not None, "select": head.select is not None, "pause": head.time is not None, "none": True}  # fmt: skip
    if join is not None and not has[join]:
        raise CaptureError.at(
            source, f"no column to join bytes by {join} among {', '.join(head.names)[:200]}", f"one of {', '.join(k for k, v in has.items() if v)}"
        )  # fmt: skip
    chosen = join or next(k for k, v in has.items() if v)
    head.join = chosen  # type: ignore[assignment]
    by = {"packet": head.group, "select": head.select}.get(chosen)
    if by is not None:
        notes.append(f"bytes are joined to frames by column {head.names[by]!r}")
    elif chosen == "pause":
        head.pause = _pause(head, rows)
        if not head.pause:
            raise CaptureError.at(
                source,
                "a table of bytes whose times do not show where a frame ends",
                "a column of packet numbers or select, or --join none for frames of one byte",
            )
        notes.append(
            f"bytes are joined to frames where less than {float(Fraction(head.pause, 10**6)):.4g} us lies between them"
        )


def _pause(head: ByteHead, rows: list[list[str]]) -> int:
    """Ticks between the two groups of times between bytes; 0 where there are no two."""
    clock = DayClock(lambda _text: None)
    times = [t for r in rows if (t := _ticks(head, r, clock)) is not None]
    gaps = sorted(b - a for a, b in pairwise(times) if b > a)
    if len(gaps) < 2:
        return 0
    at = max(range(1, len(gaps)), key=lambda i: Fraction(gaps[i], gaps[i - 1]))
    low, high = gaps[at - 1], gaps[at]
    if high < _APART * low or at < len(gaps) // 8:
        return 0
    return int((low * high) ** 0.5)


def _ticks(head: ByteHead, row: list[str], clock: DayClock) -> int | None:
    if head.time is None:
        return None
    cell = row[head.time]
    if head.clock:
        seconds = seconds_of(cell)
        return None if seconds is None else round(clock.since(seconds) * 10**12)
    try:
        return round(Fraction(cell) * Fraction(10) ** (12 + head.power)) if len(cell) < 60 else None
    except (ValueError, ZeroDivisionError):
        return None


def _told(head: ByteHead, place: int) -> str:
    """How a column is read, in words."""
    if place in (head.command, head.reply):
        line = "SDI" if place == head.command else "SDO"
        return f"bytes on {line}, {'hexadecimal' if head.base == 16 else 'decimal'}"
    if place == head.time:
        return "times as a clock shows them" if head.clock else f"times, 1e{head.power} s"
    joins = {"packet": head.group, "select": head.select}
    return "joins bytes to frames" if place == joins.get(head.join) else "left out"


class ByteRowsCapture(RowsCapture):
    """A table of bytes; made by `open_capture` where the head shows one."""

    format = "bytes"

    def __init__(
        self, source: CaptureSource, head: ByteHead, notes: list[str], setup: SpiSetup | None
    ) -> None:
        super().__init__(source, setup)
        self.head = head
        for note in notes:
            self.findings.note(note)
        if head.time is None:
            self.findings.note("no times: frames are numbered, and nothing is said about timing")
            self.tick = Fraction(1)
        self.columns = tuple((n, _told(head, i)) for i, n in enumerate(head.names))
        self._clock = DayClock(self.findings.note)
        self._open: list[tuple[int | None, int, int | None]] = []
        self._key: str | None = None
        self._last: int | None = None

    def frame_transfers(self) -> Iterator[Transfers]:
        """The frames in parts of some ten thousand. CaptureError if there are none at all."""
        for lines, last in self._parts("table", "one byte a row"):
            rows = [row for line in lines for row in self._row(line)]
            if last:
                rows += self._closed()
            if rows:
                yield self._pack(rows)
        if not self._count:
            raise CaptureError([*self.findings.all(), *CaptureError.at(self.name, "no byte in the table", "one byte a row").problems])  # fmt: skip

    def _closed(self) -> Iterator[WordRow]:
        """The frame in hand, if there is one."""
        some, self._open = self._open, []
        if some:
            command = int.from_bytes(bytes(c for _, c, _ in some), "big")
            reply = None
            if self.head.reply is not None:
                reply = int.from_bytes(bytes(r or 0 for _, _, r in some), "big")
            yield WordRow(some[0][0], command, reply, 8 * len(some), some[-1][0])

    def _row(self, raw: bytes) -> Iterator[WordRow]:
        self._line += 1
        if self._line <= self.head.skip:
            return
        text = text_of(raw[:_LINE_LIMIT]).rstrip("\r")
        if is_comment(text):
            return
        head = self.head
        row = split(text, head.delimiter)
        if len(row) != head.columns:
            self._bad(text, text, f"a row of {len(row)} values", f"{head.columns} as in the others")
            return
        time = _ticks(head, row, self._clock)
        if head.time is not None and time is None and row[head.time]:
            self._bad(text, row[head.time], f"{row[head.time][:40]!r} is not a time", "a number")
            return
        values: list[int | None] = []
        for place in (head.command, head.reply):
            cell = row[place] if place is not None else ""
            value = _value(cell, head.base) if cell else None
            if cell and (value is None or value > 255):
                self._bad(text, cell, f"{cell[:40]!r} is no byte", "0 to 255, as 0x80")
                return
            values.append(value)
        if all(v is None for v in values):
            yield from self._closed()  # a row without bytes ends what was before it
            self._key = None
            return
        if self._apart(row, time):
            yield from self._closed()
        self._last = time
        self._open.append((time, values[0] or 0, values[1]))

    def _apart(self, row: list[str], time: int | None) -> bool:
        """Whether this byte begins a frame."""
        head = self.head
        if head.join == "pause":
            return self._last is not None and time is not None and time - self._last > head.pause
        if head.join == "none":
            return True
        by = head.group if head.join == "packet" else head.select
        assert by is not None
        key, before = row[by], self._key
        self._key = key
        return before is not None and key != before

    def _bad(self, text: str, field: str, found: str, expected: str) -> None:
        self.findings.add(
            found, expected, line=self._line, column=max(text.find(field), 0) + 1, text=text,
            span=max(1, min(len(field), 80)),
        )  # fmt: skip


def open_bytes(
    source: CaptureSource, *, join: str | None, time_unit: str | None, setup: SpiSetup | None
) -> ByteRowsCapture | None:
    """A capture if the source holds a table of bytes; else None and the source is as it was."""
    data = source.read(1 << 16)
    source.unread(data)
    text = text_of(data)
    found = byte_head(
        text, source.name, complete=len(data) < 1 << 16, join=join, time_unit=time_unit
    )
    if found is None:
        return None
    return ByteRowsCapture(source, *found, setup)
