"""CSV captures: one row an instant, columns of times, 0 and 1, voltages, or hex values.

The same reader serves tables of samples (a row at every step) and of transitions (a row at every
change): edges are the rows at which a column differs. A column of empty fields keeps its value.
Rows of the wrong shape are located and left out; the others go the vectorised way: places of
delimiters, then digits folded eight at a time. Times become exact ticks of 1 ps (1 fs where the
first rows show more digits), or of one sample where a rate stands in for them.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from regmap.errors import CaptureError

from ..arrays import Changes, Indices, Times
from ..lines.levels import Levels
from ..lines.signals import Channel, Findings
from .blocks import BLOCK, BlockCapture
from .clocktext import DayClock, seconds_of
from .source import CaptureSource, text_of
from .tablecells import Cells, floats
from .tableeven import even_fields, remarks
from .tablehead import Column, TableHead, is_comment, read_head, split
from .tokens import PAD, ByteBlock, decimals, scaled

_HEAD = 1 << 16
#: So many blocks in turn whose rows do not end alike, and no more of them are looked for.
_ODD = 4
#: Times beyond this many ticks do not fit int64.
_MOST = (1 << 63) - 1


class TableCapture(BlockCapture):
    """A CSV capture. What is not given is found in the head of the file, and told in `notes`."""

    format = "csv"

    def __init__(
        self,
        source: CaptureSource,
        *,
        levels: Levels | None = None,
        delimiter: str | None = None,
        decimal: str | None = None,
        time_unit: str | None = None,
        rate: Fraction | None = None,
        block: int = BLOCK,
    ) -> None:
        findings = Findings(source.name)
        data = source.read(_HEAD)
        source.unread(data)
        text = text_of(data)
        if not text.strip("\x00 \r\n\t"):
            raise CaptureError.at(
                source.name, "is empty" if not data else "holds no text", "rows of values"
            )
        head = read_head(
            text,
            findings,
            complete=len(data) < _HEAD,
            delimiter=delimiter,
            decimal=decimal,
            time_unit=time_unit,
            rate=rate,
        )
        shown = {"\t": "tab", " ": "space"}.get(head.delimiter, head.delimiter)
        if len(head.columns) > 1:
            findings.note(
                f"columns parted by {shown!r}" + (", decimal comma" if head.decimal == "," else "")
            )
        # The lines above the data are passed over byte by byte; the body starts behind them.
        offset = 0
        for _ in range(head.skip):
            offset = data.find(b"\n", offset) + 1
        if not head.skip and data.startswith(b"\xef\xbb\xbf"):
            offset = 3
        source.read(offset)
        channels: list[Channel] = []
        first: list[int] = []
        for column in head.columns:
            first.append(len(channels))
            if column.kind == "bus":
                base = column.name.split("[")[0].strip() or column.name
                for bit in range(column.width):
                    channels.append(
                        Channel(
                            index=len(channels),
                            name=f"{base}[{bit}]",
                            bus=base,
                            bit=bit,
                            weight=bit,
                        )
                    )
            elif column.kind in ("bit", "volts"):
                channels.append(Channel(index=len(channels), name=column.name))
        if head.time is None:
            assert head.rate is not None
            tick = 1 / head.rate
        else:
            tick = Fraction(1, 10 ** (15 if head.fine else 12))
        levels = levels or Levels()
        for index, column in enumerate(head.columns):
            if column.kind == "volts":
                levels.prime(
                    column.name,
                    floats([r[index] for r in head.first_rows], head.decimal),
                    findings,
                )
        head.first_rows = []
        body = TableBody(head, findings, levels, first)
        super().__init__(
            findings,
            tick,
            tuple(channels),
            source,
            body,
            line=head.skip + 1,
            offset=offset,
            block=block,
        )
        if head.time is None:
            self._resolution = 1
        self.columns = tuple((c.name, _told(head, c)) for c in head.columns)


_UNIT = {0: "s", -3: "ms", -6: "us", -9: "ns", -12: "ps", -15: "fs"}


def _told(head: TableHead, column: Column) -> str:
    """How a column is read, in words."""
    if column.kind == "time":
        return "times as a clock shows them" if head.clock else f"times in {_UNIT[head.power]}"
    kinds = {"bit": "levels", "volts": "voltages", "skip": "left out"}
    return kinds.get(column.kind, f"a bus of {column.width} lines")


class TableBody:
    """The rows of a table, block after block."""

    no_time = "rows of values"
    lines = -1

    def __init__(
        self, head: TableHead, findings: Findings, levels: Levels, first: list[int]
    ) -> None:
        self.head = head
        self.findings = findings
        self.cells = Cells(head, findings, levels, first, self.problem)
        self.until: int | None = None
        self.first = 0
        self.stopped = False
        self.bad = 0
        self.in_text = False
        self.cut = ""
        self._line = 0
        self._rows = 0
        self._digits = (15 if head.fine else 12) + head.power
        self._clock = DayClock(findings.note)
        #: whether rows may end alike, and how often in turn they did not
        self._even = all(c.kind == "bit" for c in head.columns[1:]) and head.delimiter != "\n"
        self._odd = 0

    def collect(self) -> Changes:
        """The changes of the last block by channel."""
        return self.cells.collect()

    def take(self, block: ByteBlock, line: int, *, final: bool, cut: bool) -> int:
        """Read the whole rows of a block; the number of bytes used."""
        self._line = line
        stop = block.store.rfind(b"\n", PAD, PAD + block.size) + 1 - PAD
        if stop <= 0:
            return 0
        # Blank lines at the end (a final block has one) are no rows.
        rows_end = stop
        while rows_end > 1 and block.view[rows_end - 1] == 10 and block.view[rows_end - 2] == 10:
            rows_end -= 1
        fields = self._fields(block, rows_end)
        origin = None
        if fields is None:
            block, origin = self._repair(block, stop, cut=cut and final)
            fields = self._fields(block, block.size)
            if fields is None:
                self.findings.add(
                    f"{len(origin[1])} rows cannot be parted into columns",
                    "one delimiter throughout",
                    line=line,
                )
                return stop
            if not len(fields[0]):
                return stop
        starts, ends = fields
        rows = len(starts)
        times, good = self._times(block, starts, ends, origin)
        if good < rows:
            self.stopped = True
        if not good:
            return stop
        times = times[:good]
        whole = good
        if not final and not self.stopped and self.head.time is not None:
            # Rows of the last instant wait: there may be more of them.
            whole = int(np.searchsorted(times, times[-1]))
            if not whole:
                return 0
        if self.until is None:
            self.first = int(times[0])
        self.until = int(times[-1]) + (0 if whole < good else 1)
        self._rows += whole
        times = times[:whole]
        for index, column in enumerate(self.head.columns):
            if column.kind in ("bit", "bus", "volts"):
                a, b = (
                    np.ascontiguousarray(starts[:whole, index]),
                    np.ascontiguousarray(ends[:whole, index]),
                )
                self.cells.column(block, index, column, a, b, times, origin)
        if self.stopped:
            return stop
        if whole < good:
            used = int(starts[whole, 0])
            return int(origin[0][whole]) if origin is not None else _line_start(block, used)
        return stop

    def _fields(self, block: ByteBlock, stop: int) -> tuple[Indices, Indices] | None:
        """(starts, ends) of shape (rows, columns); None if any row is out of shape."""
        columns = len(self.head.columns)
        if self._even:
            even = even_fields(block, stop, ord(self.head.delimiter), columns)
            if even is not None:
                self._odd = 0
                return even
            # tables seldom change their ways: one that is of another shape again and again is not asked any more
            self._odd += 1
            self._even = self._odd < _ODD
        view = block.view[:stop]
        if columns == 1 or self.head.delimiter == "\n":
            parts = view == 10
        else:
            parts = view == ord(self.head.delimiter)
            parts |= view == 10
        ends = np.flatnonzero(parts)
        if len(ends) % columns:
            return None
        lines = view.take(ends) == 10
        table = lines.reshape(-1, columns)
        if not table[:, -1].all() or np.count_nonzero(lines) != len(table):
            return None
        starts = np.empty_like(ends)
        if len(ends):
            starts[0] = 0
            np.add(ends[:-1], 1, out=starts[1:])
        first = view.take(starts, mode="clip")
        if (first == 34).any() or remarks(first.reshape(-1, columns)[:, 0]):
            return None
        # Blanks and the CR of a line end belong to no field.
        while True:
            blank = np.flatnonzero((view.take(starts, mode="clip") <= 32) & (starts < ends))
            if not len(blank):
                break
            starts[blank] += 1
        while True:
            blank = np.flatnonzero((view.take(np.maximum(ends - 1, 0)) <= 32) & (starts < ends))
            if not len(blank):
                break
            ends[blank] -= 1
        sizes = (ends - starts).reshape(-1, columns)
        if not sizes.any(axis=1).all():
            return None
        return starts.reshape(-1, columns), ends.reshape(-1, columns)

    def _repair(
        self, block: ByteBlock, stop: int, *, cut: bool
    ) -> tuple[ByteBlock, tuple[Indices, Indices]]:
        """The well-shaped rows only, written anew; and for each one (offset, line) in the block."""
        head, columns = self.head, len(self.head.columns)
        kept, offsets, numbers = [], [], []
        at = 0
        lines = bytes(block.view[:stop]).split(b"\n")
        last = len(lines) - 2
        mark = head.delimiter if head.delimiter != " " else "\t"
        for number, raw in enumerate(lines[:-1]):
            text = raw.decode("utf-8", "replace")
            if not is_comment(text):
                fields = split(text, head.delimiter)
                if len(fields) == columns + 1 and not fields[-1]:
                    fields.pop()
                if len(fields) == columns and any(fields):
                    kept.append(mark.join(fields) if head.delimiter != " " else " ".join(fields))
                    offsets.append(at)
                    numbers.append(number)
                elif number == last and cut:
                    self.cut = "its last row is not complete"
                elif any(fields):
                    self.findings.add(
                        f"a row of {len(fields)} values",
                        f"{columns} as in the other rows",
                        line=self._line + number,
                        column=1,
                        text=text[:400].rstrip("\r"),
                        span=min(len(text), 80),
                    )
            at += len(raw) + 1
        data = ("\n".join(kept) + "\n").encode("utf-8") if kept else b""
        store = bytearray(len(data) + 2 * PAD + 8)
        store[PAD : PAD + len(data)] = data
        return ByteBlock(store, len(data)), (np.array(offsets, np.intp), np.array(numbers, np.intp))

    def problem(
        self,
        block: ByteBlock,
        start: int,
        end: int,
        origin: tuple[Indices, Indices] | None,
        found: str,
        expected: str,
    ) -> None:
        """Keep a problem of one field; `origin` tells where rewritten rows came from."""
        line, column, text = block.line_of(start)
        if origin is not None:
            line = int(origin[1][line])
        self.findings.add(
            found,
            expected,
            line=self._line + line,
            column=column,
            text=text,
            span=max(1, min(end - start, 80)),
        )

    # -- columns -------------------------------------------------------------------------------

    def _times(
        self,
        block: ByteBlock,
        starts: Indices,
        ends: Indices,
        origin: tuple[Indices, Indices] | None,
    ) -> tuple[Times, int]:
        """(ticks, number of leading rows whose time is good)."""
        rows = len(starts)
        column = self.head.time
        if column is None:
            return self._rows + np.arange(rows, dtype=np.int64), rows
        a, b = np.ascontiguousarray(starts[:, column]), np.ascontiguousarray(ends[:, column])
        fixed = None if self.head.clock else decimals(block, a, b, ord(self.head.decimal))
        good = rows
        if fixed is not None and (ticks := scaled(fixed, self._digits)) is not None:
            times = ticks
        else:
            times, good = self._odd_times(block, a, b)
            if good < rows:
                shown = block.text(int(a[good]), int(min(b[good], a[good] + 30))).decode(
                    "utf-8", "replace"
                )
                self.problem(
                    block,
                    int(a[good]),
                    int(b[good]),
                    origin,
                    f"{shown!r} is not a time",
                    "a number",
                )
                self.bad = self._byte(block, int(a[good]), origin)
        times = times[:good]
        before = self.until - 1 if self.until is not None else None
        back = np.flatnonzero(times[1:] < times[:-1])
        first = (
            int(back[0]) + 1
            if len(back)
            else (0 if len(times) and before is not None and times[0] < before else -1)
        )
        if len(times) and before is not None and times[0] < before:
            first = 0
        if first >= 0:
            shown = block.text(int(a[first]), int(min(b[first], a[first] + 30))).decode(
                "utf-8", "replace"
            )
            self.problem(
                block,
                int(a[first]),
                int(b[first]),
                origin,
                f"time runs backwards: {shown}",
                "a time not before the row above",
            )
            self.bad = self._byte(block, int(a[first]), origin)
            good = first
        return times[:good], good

    def _byte(self, block: ByteBlock, start: int, origin: tuple[Indices, Indices] | None) -> int:
        if origin is None:
            return _line_start(block, start)
        return int(origin[0][block.line_of(start)[0]])

    def _odd_times(self, block: ByteBlock, starts: Indices, ends: Indices) -> tuple[Times, int]:
        """Times with exponents, of many digits, or none at all: one by one, exactly."""
        times = np.zeros(len(starts), np.int64)
        scale = 10**self._digits if self._digits >= 0 else 0
        for index, (a, b) in enumerate(zip(starts.tolist(), ends.tolist(), strict=True)):
            text = block.text(a, min(b, a + 64)).decode("latin-1")
            if self.head.clock:
                shown = seconds_of(text)
                if shown is None:
                    return times, index
                times[index] = round(self._clock.since(shown) * scale)
                continue
            try:
                if self.head.decimal == ",":
                    text = text.replace(",", ".")
                if (
                    len(text) > 60
                    or "_" in text
                    or abs(int(text.casefold().partition("e")[2] or 0)) > 40
                ):
                    return times, index
                value = Fraction(text)
            except (ValueError, ZeroDivisionError):
                return times, index
            ticks = round(value * scale) if scale else round(value / 10**-self._digits)
            if abs(ticks) > _MOST // 4:
                return times, index
            times[index] = ticks
        return times, len(starts)


def _line_start(block: ByteBlock, at: int) -> int:
    return (block.store.rfind(b"\n", PAD, PAD + at) + 1 or PAD) - PAD
