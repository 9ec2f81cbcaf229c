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
import numpy.typing as npt

from regmap.errors import CaptureError

from .blocks import BLOCK, BlockCapture, Changes
from .levels import Levels
from .signals import Channel, Findings, Indices, Times, Values
from .source import Source
from .tablehead import LEVELS, Column, TableHead, is_comment, read_head, split
from .tokens import PAD, ByteBlock, unsigned

_HEAD = 1 << 16
_LEVEL = np.full(256, 255, np.uint8)
for _text, _value in LEVELS.items():
    if len(_text) == 1:
        _LEVEL[ord(_text)] = _LEVEL[ord(_text.upper())] = _value
_HOLD = 254
#: Times beyond this many ticks do not fit int64.
_MOST = (1 << 63) - 1
Fixed = tuple[Times, int]


class TableCapture(BlockCapture):
    """A CSV capture. What is not given is found in the head of the file, and told in `notes`."""

    format = "csv"

    def __init__(
        self,
        source: Source,
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
        text = data.decode("utf-8-sig", "replace")
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
                    _floats([r[index] for r in head.first_rows], head.decimal),
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


class TableBody:
    """The rows of a table, block after block."""

    no_time = "rows of values"

    def __init__(
        self, head: TableHead, findings: Findings, levels: Levels, first: list[int]
    ) -> None:
        self.head = head
        self.findings = findings
        self.levels = levels
        self.first_channel = first
        self.until: int | None = None
        self.first = 0
        self.stopped = False
        self.bad = 0
        self.in_text = False
        self.cut = ""
        self._line = 0
        self._rows = 0
        self._digits = (15 if head.fine else 12) + head.power
        self._changes: Changes = {}
        self._held: dict[int, int] = {}

    def collect(self) -> Changes:
        """The changes of the last block by channel."""
        found, self._changes = self._changes, {}
        return found

    def take(self, block: ByteBlock, line: int, *, final: bool, cut: bool) -> int:
        """Read the whole rows of a block; the number of bytes used."""
        self._line = line
        stop = block.store.rfind(b"\n", PAD, PAD + block.size) + 1 - PAD
        if stop <= 0:
            return 0
        fields = self._fields(block, stop)
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
                self._column(block, index, column, a, b, times, origin)
        if self.stopped:
            return stop
        if whole < good:
            used = int(starts[whole, 0])
            return int(origin[0][whole]) if origin is not None else _line_start(block, used)
        return stop

    def _fields(self, block: ByteBlock, stop: int) -> tuple[Indices, Indices] | None:
        """(starts, ends) of shape (rows, columns); None if any row is out of shape."""
        columns = len(self.head.columns)
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
        if (first == 34).any() or _comments(first.reshape(-1, columns)[:, 0]):
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

    def _problem(
        self,
        block: ByteBlock,
        start: int,
        end: int,
        origin: tuple[Indices, Indices] | None,
        found: str,
        expected: str,
    ) -> None:
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
        fixed = _fixed(block, a, b, ord(self.head.decimal))
        good = rows
        if fixed is not None and (ticks := _scaled(fixed, self._digits)) is not None:
            times = ticks
        else:
            times, good = self._odd_times(block, a, b)
            if good < rows:
                shown = block.text(int(a[good]), int(min(b[good], a[good] + 30))).decode(
                    "utf-8", "replace"
                )
                self._problem(
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
            self._problem(
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

    def _column(
        self,
        block: ByteBlock,
        index: int,
        column: Column,
        starts: Indices,
        ends: Indices,
        times: Times,
        origin: tuple[Indices, Indices] | None,
    ) -> None:
        channel = self.first_channel[index]
        if column.kind == "volts":
            volts = self._volts(block, starts, ends, origin)
            self._changes[channel] = self.levels.digital(column.name, times, volts, self.findings)
        elif column.kind == "bit":
            values = self._levels(block, starts, ends, origin)
            held = np.flatnonzero(values != _HOLD)
            self._keep(channel, times, values, held)
        else:
            words, held = self._words(block, column, starts, ends, origin)
            moved = (
                np.flatnonzero(np.append(True, words[held][1:] != words[held][:-1]))
                if len(held)
                else held
            )
            held = held[moved]
            for bit in range(column.width):
                self._keep(
                    channel + bit,
                    times,
                    ((words >> np.uint64(bit)) & np.uint64(1)).astype(np.uint8),
                    held,
                )

    def _keep(self, channel: int, times: Times, values: Values, held: Indices) -> None:
        if len(held) < len(values):
            times, values = times[held], values[held]
        if not len(values):
            return
        moved = np.flatnonzero(values[1:] != values[:-1]) + 1
        if self._held.get(channel) != int(values[0]):
            moved = np.concatenate(([0], moved))
        self._held[channel] = int(values[-1])
        if len(moved):
            self._changes[channel] = times[moved], values[moved]

    def _levels(
        self,
        block: ByteBlock,
        starts: Indices,
        ends: Indices,
        origin: tuple[Indices, Indices] | None,
    ) -> Values:
        sizes = ends - starts
        values = _LEVEL.take(block.view.take(starts, mode="clip"))
        odd = np.flatnonzero((sizes != 1) | (values == 255))
        if len(odd):
            known: dict[bytes, int] = {b"": _HOLD}
            for row in odd.tolist():
                text = block.text(int(starts[row]), int(ends[row]))
                level = known.get(text)
                if level is None:
                    level = (
                        LEVELS.get(text.decode("latin-1").casefold(), 255) if len(text) < 8 else 255
                    )
                    if len(known) < 4096:
                        known[text] = level
                if level == 255:
                    shown = text[:20].decode("utf-8", "replace")
                    self._problem(
                        block,
                        int(starts[row]),
                        int(ends[row]),
                        origin,
                        f"{shown!r} is no logic level",
                        "0, 1, x or z",
                    )
                    level = 2
                values[row] = level
        return values

    def _volts(
        self,
        block: ByteBlock,
        starts: Indices,
        ends: Indices,
        origin: tuple[Indices, Indices] | None,
    ) -> npt.NDArray[np.float64]:
        fixed = _fixed(block, starts, ends, ord(self.head.decimal))
        if fixed is not None:
            return np.asarray(fixed[0] / 10.0 ** fixed[1], np.float64)
        texts = block.texts(starts, np.minimum(ends, starts + 64))
        if self.head.decimal == ",":
            texts = np.char.replace(texts, b",", b".")
        try:
            return texts.astype(np.float64)
        except ValueError:
            volts = np.full(len(texts), np.nan)
            for row, text in enumerate(texts.tolist()):
                try:
                    volts[row] = float(text)
                except ValueError:
                    if text:
                        shown = text[:20].decode("utf-8", "replace")
                        self._problem(
                            block,
                            int(starts[row]),
                            int(ends[row]),
                            origin,
                            f"{shown!r} is no voltage",
                            "a number",
                        )
                    elif row:
                        volts[row] = volts[row - 1]
            return volts

    def _words(
        self,
        block: ByteBlock,
        column: Column,
        starts: Indices,
        ends: Indices,
        origin: tuple[Indices, Indices] | None,
    ) -> tuple[npt.NDArray[np.uint64], Indices]:
        words = np.zeros(len(starts), np.uint64)
        good = np.ones(len(starts), np.bool_)
        known: dict[bytes, int | None] = {}
        texts = block.texts(starts, np.minimum(ends, starts + 24)).tolist()
        for row, text in enumerate(texts):
            if text not in known:
                if len(known) > 65536:
                    known.clear()
                known[text] = _number(text, column.width)
            value = known[text]
            if value is None:
                good[row] = False
                if text:
                    shown = text[:20].decode("utf-8", "replace")
                    self._problem(
                        block,
                        int(starts[row]),
                        int(ends[row]),
                        origin,
                        f"{shown!r} is no value of {column.name}",
                        f"up to {column.width} bits as 0x1F or 31",
                    )
            else:
                words[row] = value
        return words, np.flatnonzero(good)


def _floats(texts: list[str], decimal: str) -> npt.NDArray[np.float64]:
    found = []
    for text in texts:
        try:
            found.append(float(text.replace(decimal, ".")))
        except ValueError:
            continue
    return np.array(found, np.float64)


def _number(text: bytes, width: int) -> int | None:
    word = text.decode("latin-1").casefold()
    try:
        if "_" in word or len(word) > 20:
            return None
        value = (
            int(word[:-1], 16)
            if word.endswith("h")
            else int(word, 16 if word.startswith("0x") else 10)
        )
    except ValueError:
        return None
    return value if 0 <= value < 1 << width else None


def _comments(first: npt.NDArray[np.uint8]) -> bool:
    return bool(
        ((first == 35) | (first == 37) | (first == 33) | (first == 47) | (first == 39)).any()
    )


def _line_start(block: ByteBlock, at: int) -> int:
    return (block.store.rfind(b"\n", PAD, PAD + at) + 1 or PAD) - PAD


def _fixed(block: ByteBlock, starts: Indices, ends: Indices, point: int) -> Fixed | None:
    """Plain decimal numbers as (int64, decimals): value = number / 10**decimals; None if any is not plain."""
    if not len(starts):
        return np.empty(0, np.int64), 0
    if (ends <= starts).any():
        return None
    lead = block.view.take(starts)
    minus = lead == 45
    signs = minus | (lead == 43)
    if signs.any():
        starts = starts + signs
        if (ends <= starts).any():
            return None
    else:
        minus = signs
    points = np.flatnonzero(block.view == point)
    if len(points):
        at = np.searchsorted(points, starts)
        dot = np.append(points, block.size + 1).take(at)
        dot = np.where(dot < ends, dot, ends)
    else:
        dot = ends
    sizes = np.maximum(ends - dot - 1, 0)
    decimals = int(sizes.max())
    if decimals > 15:
        return None
    whole = np.zeros(len(starts), np.int64)
    some = np.flatnonzero(dot > starts)
    part, bad = (
        unsigned(block, starts[some], dot[some])
        if len(some) < len(starts)
        else unsigned(block, starts, dot)
    )
    if bad >= 0:
        return None
    whole[some] = part
    if decimals:
        if len(whole) and int(whole.max()) >= 10 ** (18 - decimals):
            return None
        whole *= 10**decimals
        some = np.flatnonzero(sizes)
        part, bad = unsigned(block, dot[some] + 1, ends[some])
        if bad >= 0:
            return None
        if int(sizes[some].min()) < decimals:
            part = part * 10 ** (decimals - sizes[some])
        whole[some] += part
    elif (dot == starts).any():
        return None
    if (sizes + (dot - starts) == 0).any():
        return None
    if minus.any():
        whole = np.where(minus, -whole, whole)
    return whole, decimals


def _scaled(fixed: Fixed, digits: int) -> Times | None:
    """The numbers as ticks of 10**-digits; None if they do not fit or would lose digits."""
    values, decimals = fixed
    if decimals > digits:
        return None
    factor = 10 ** (digits - decimals)
    if len(values) and int(np.abs(values).max()) > _MOST // 4 // factor:
        return None
    ticks: Times = values * factor
    return ticks
