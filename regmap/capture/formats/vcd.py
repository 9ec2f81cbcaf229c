"""Value change dumps (IEEE 1364-2005 chapter 18, four-state) as blocks of edges, vectorised.

How a block of about 1 MiB is read. Every byte <= 32 separates tokens, so the places of those bytes
are the ends of all tokens. The first byte of a token tells what it is: `#` a time, `01xXzZ` a
scalar change with its code behind it, `bBrR` a value whose code is the next token, `$` a keyword.
Digits of all times are folded eight at a time in uint64 arithmetic. As the changes between two
times are neighbours, repeating each time by the number of its changes gives every change its time.

A block ends before its last time token; the rest is read again with the next block. So no token is
ever cut, a block always holds whole instants, and a vector is never parted from its code.

What a parser trips over is told apart in this order: sections of text ($comment) are taken out
first, then values of vectors claim the token behind them as their code, whatever it looks like
(`#`, `$`, `b1` are good codes), and only what is left can be a time or a scalar.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from ..arrays import Changes, Indices, Times, Values
from ..lines.levels import Levels
from ..lines.signals import Findings
from .blocks import BLOCK, BlockCapture
from .source import CaptureSource
from .tokens import LATEST, ByteBlock, Bytes, unsigned
from .vcdeven import read_even
from .vcdhead import KEYWORDS, HeaderReader, VcdHeader
from .vcdvalues import LEVEL, LEVELS, ValueTable

# The class of a token by its first byte.
OTHER, TIME, SCALAR, VECTOR, KEYWORD, STRING, CODE = range(7)
_CLASS = np.zeros(256, np.uint8)
_CLASS[ord("#")] = TIME
_CLASS[[ord(c) for c in LEVELS]] = SCALAR
_CLASS[[ord(c) for c in "bBrR"]] = VECTOR
_CLASS[[ord(c) for c in "sS"]] = STRING
_CLASS[ord("$")] = KEYWORD

_MARKS = frozenset((b"$dumpvars", b"$dumpall", b"$dumpoff", b"$dumpon", b"$end"))
_TEXTS = frozenset((b"$comment", b"$date", b"$version", b"$vcdclose"))


class VcdCapture(BlockCapture):
    """A value change dump. Channels are known at once, blocks come as the file is read."""

    format = "vcd"

    def __init__(
        self, source: CaptureSource, *, levels: Levels | None = None, block: int = BLOCK
    ) -> None:
        findings = Findings(source.name)
        header = HeaderReader(source, findings).read()
        body = Body(header, findings, levels or Levels())
        super().__init__(
            findings,
            header.tick,
            tuple(header.channels),
            source,
            body,
            line=header.lines + 1,
            offset=header.size,
            block=block,
        )
        self._dump = body

    @property
    def gaps(self) -> Sequence[tuple[int, int]]:
        """From when to when recording was switched off; -1: not on again."""
        return self._dump.gaps

    def _raw(self) -> Iterator[tuple[Changes, int, int]]:
        first = True
        for changes, start, until in super()._raw():
            if first and self.assume_start and not self._dump.has_initial:
                changes = {i: _with_start(*c, start) for i, c in changes.items()}
            first = False
            yield changes, start, until


def _with_start(times: Times, values: Values, start: int) -> tuple[Times, Values]:
    """Where a dump gives no values at its start, a line that first goes to 1 was 0 before, and the other way."""
    if not len(times) or int(times[0]) <= start or int(values[0]) > 1:
        return times, values
    before = np.array([1 - int(values[0])], np.uint8)
    return np.concatenate(([start], times)), np.concatenate((before, values))


class Body:
    """The changes of a dump, block after block.

    `until` is how far it is complete (None before the first time), `first` the first time of all.
    """

    no_time = "#0 and changes after it"

    def __init__(self, header: VcdHeader, findings: Findings, levels: Levels) -> None:
        self.findings = findings
        self.until: int | None = None
        self.first = 0
        self.stopped = False
        self.bad = 0
        self.in_text = False
        self.cut = ""
        self.lines = -1
        #: whether the dump gives values at its start ($dumpvars)
        self.has_initial = False
        #: ticks from when to when recording was switched off; -1: to the end
        self.gaps: list[tuple[int, int]] = []
        self._switches: list[tuple[int, bool]] = []
        self._values = ValueTable(header, findings, levels, self._problem)
        self._line = 0

    def collect(self) -> Changes:
        """The changes of the last block by channel."""
        return self._values.collect()

    def take(self, block: ByteBlock, line: int, *, final: bool, cut: bool) -> int:
        """Read one block; the number of bytes used (the rest is to come again, with more behind it).

        `cut` says that the last token of a final block may be only the beginning of one.
        """
        self._line, self.lines = line, -1
        self._values.ranked = False
        self.in_text = False
        self._switches = []
        if not final and self._values.even and (used := self._even(block)):
            return used
        ends = np.flatnonzero(block.view <= 32)
        if not len(ends):
            return 0
        starts = np.empty_like(ends)
        starts[0] = 0
        np.add(ends[:-1], 1, out=starts[1:])
        sizes = ends - starts
        least = int(sizes.min())
        if not least:
            some = np.flatnonzero(sizes)
            starts, ends = starts[some], ends[some]
        first = block.view.take(starts)
        if final and cut and ends[-1] - starts[-1] == 1 and _bare_value(first):
            self.cut = "a value without its code"
            starts, ends, first = starts[:-1], ends[:-1], first[:-1]
            if not len(starts):
                return block.size
        kinds = first
        is_time = first == ord("#")
        # Most blocks hold times and changes to 0 and 1 only.
        plain = np.count_nonzero(is_time) + np.count_nonzero(first & 0xFE == ord("0")) == len(first)
        if not plain:
            kinds = _CLASS.take(first)
            plain = int(kinds.max()) <= SCALAR and int(kinds.min()) > OTHER
        if not plain:
            starts, ends, kinds = self._without_sections(block, starts, ends, kinds)
            codes = _claimed(kinds)
            if len(codes) and codes[-1] == len(kinds):
                if final:
                    self.cut = "a value without its code"
                starts, ends, kinds, codes = starts[:-1], ends[:-1], kinds[:-1], codes[:-1]
            kinds[codes] = CODE
        clocks = np.flatnonzero(is_time if plain else kinds == TIME)
        if not len(clocks):
            return block.size if final else 0
        digits, behind = starts.take(clocks) + 1, ends.take(clocks)
        times, bad = unsigned(block, digits, behind)
        times, bad = self._ordered(times, bad)
        if bad >= 0:
            stop, count = int(clocks[bad]), bad
            if final and cut and stop == len(starts) - 1:
                self.cut = "its last time is not complete"
            else:
                self._bad_time(block, int(starts[stop]), int(ends[stop]), times)
        elif final:
            stop, count = len(starts), len(clocks)
        else:
            # Whole instants only: the last one (its time may be told more than once) waits.
            count = int(np.searchsorted(times, times[-1]))
            stop = int(clocks[count])
        if count == 0:
            return block.size if final else 0
        if self.until is None:
            self.first = int(times[0])
        self.until = int(times[count - 1]) + 1 if final or self.stopped else int(times[-1])
        times, clocks = times[:count], clocks[:count]
        self._switched(
            starts.take(clocks), times, int(starts[stop]) if stop < len(starts) else block.size
        )
        used = int(starts[stop]) if stop < len(starts) else block.size
        starts, ends, kinds = starts[:stop], ends[:stop], kinds[:stop]
        if plain:
            in_times = int(behind[:count].sum() - digits[:count].sum()) + count
            self._plain(block, starts, ends, clocks, times, first[:stop], least, in_times)
        else:
            self._mixed(block, starts, ends, clocks, times, kinds)
        return used

    def _even(self, block: ByteBlock) -> int:
        """Read a block in which all lines are alike; the number of bytes used, 0 where it is not one."""
        even = read_even(block, self._values.even)
        if even is None:
            return 0
        times, bad = self._ordered(even.times, -1)
        # whole instants only, as below
        count = int(np.searchsorted(times, times[-1])) if bad < 0 else 0
        if not count:
            return 0
        if self.until is None:
            self.first = int(times[0])
        self.until = int(times[-1])
        self._values.even_changes(even.changes, times, count)
        self.lines = even.lines(count)
        return int(even.places[count])

    def _switched(self, places: Indices, times: Times, used: int) -> None:
        """The instants at which recording went off and on, of what is used of this block."""
        for at, off in self._switches:
            if at >= used:
                continue
            place = int(np.searchsorted(places, at)) - 1
            time = int(times[max(place, 0)])
            if off and (not self.gaps or self.gaps[-1][1] >= 0):
                self.gaps.append((time, -1))
            elif not off and self.gaps and self.gaps[-1][1] < 0:
                self.gaps[-1] = self.gaps[-1][0], time
        self._switches = []

    def _ordered(self, times: Times, bad: int) -> tuple[Times, int]:
        """The leading times that do not run backwards, and the index of the first that does."""
        if len(times) and self.until is not None and times[0] < self.until:
            return times[:0], 0
        back = times[1:] < times[:-1]
        if back.any():
            bad = int(np.argmax(back)) + 1
            times = times[:bad]
        return times, bad

    def _bad_time(self, block: ByteBlock, start: int, end: int, times: Times) -> None:
        self.stopped, self.bad = True, start
        shown = block.text(start, min(end, start + 30)).decode("latin-1")
        before = int(times[-1]) if len(times) else self.until
        number = shown[1:]
        if number.isascii() and number.isdigit() and len(number) <= 19 and int(number) <= LATEST:
            self._problem(
                block,
                start,
                end,
                f"time runs backwards: {shown} after #{before}",
                f"#{before} or later",
            )
        elif number.isascii() and number.isdigit():
            self._problem(block, start, end, f"time {shown} is too large", f"at most {LATEST}")
        else:
            self._problem(block, start, end, f"{shown!r} is not a time", "# and a whole number")

    def _problem(
        self,
        block: ByteBlock,
        start: int,
        end: int,
        found: str,
        expected: str,
        severity: str = "error",
    ) -> None:
        line, column, text = block.line_of(start)
        self.findings.add(
            found,
            expected,
            line=self._line + line,
            column=column,
            text=text,
            span=min(end - start, 80),
            severity=severity,
        )

    def _without_sections(
        self, block: ByteBlock, starts: Indices, ends: Indices, kinds: Bytes
    ) -> tuple[Indices, Indices, Bytes]:
        """The tokens without keywords and without the text of sections such as $comment.

        A keyword is never an identifier code (the header refuses it), so it can be told before
        vectors have claimed theirs.
        """
        spans: list[tuple[int, int]] = []
        opened = -1
        for index in np.flatnonzero(kinds == KEYWORD).tolist():
            start, end = int(starts[index]), int(ends[index])
            if end - start < 4 or end - start > 16:
                continue
            word = block.text(start, end)
            if word not in KEYWORDS:
                continue
            if opened >= 0:
                if word == b"$end":
                    spans.append((opened, index + 1))
                    opened = -1
            elif word in _MARKS:
                spans.append((index, index + 1))
                self.has_initial |= word in (b"$dumpvars", b"$dumpall")
                if word == b"$dumpoff":
                    self.findings.note("recording was switched off for a time ($dumpoff)")
                if word in (b"$dumpoff", b"$dumpon"):
                    self._switches.append((start, word == b"$dumpoff"))
            else:
                opened = index
                if word not in _TEXTS:
                    self._problem(
                        block,
                        start,
                        end,
                        f"{word.decode()} after $enddefinitions",
                        "changes only",
                        "warning",
                    )
        if opened >= 0:
            self.in_text = True
            spans.append((opened, len(starts)))
        if not spans:
            return starts, ends, kinds
        keep = np.ones(len(starts), np.bool_)
        for a, b in spans:
            keep[a:b] = False
        some = np.flatnonzero(keep)
        return starts[some], ends[some], kinds[some]

    def _plain(
        self,
        block: ByteBlock,
        starts: Indices,
        ends: Indices,
        clocks: Indices,
        times: Times,
        first: Bytes,
        least: int,
        in_times: int,
    ) -> None:
        """Times and scalars only; no token is shorter than `least`, the times have `in_times` bytes."""
        scalars = np.flatnonzero(first != ord("#"))
        if not len(scalars):
            return
        # Where one byte parts all tokens, the bytes between the times tell how long the changes are;
        # if none is shorter than two and they are two on average, each one is two.
        pairs = False
        if least >= 2:
            total = int(ends[-1]) - int(starts[0]) - len(starts) + 1
            pairs = total - in_times == 2 * len(scalars)
        starts = starts.take(scalars)
        values = first.take(scalars)
        if int(values.max()) <= ord("1"):
            values &= 1
        else:
            values = LEVEL.take(values)
        if pairs and self._values.few(block, starts, values, times, scalars):
            return
        # Changes before the first time belong to it; the changes behind each time are neighbours.
        counts = np.diff(clocks, append=len(first)) - 1
        counts[0] += clocks[0]
        when = np.repeat(times, counts)
        self._values.scalars(block, starts, ends.take(scalars), values, when, scalars)

    def _mixed(
        self,
        block: ByteBlock,
        starts: Indices,
        ends: Indices,
        clocks: Indices,
        times: Times,
        kinds: Bytes,
    ) -> None:
        """Scalars, vectors, reals; what is none of them is a problem and left out."""
        self._values.ranked = True
        counts = np.diff(clocks, append=len(kinds))
        counts[0] += clocks[0]
        when = np.repeat(times, counts)
        scalars = np.flatnonzero(kinds == SCALAR)
        at = starts.take(scalars)
        self._values.scalars(
            block,
            at,
            ends.take(scalars),
            LEVEL.take(block.view.take(at)),
            when.take(scalars),
            scalars,
        )
        vectors = np.flatnonzero(kinds == VECTOR)
        # The code of the very last vector may lie behind this part; then the whole is behind it.
        vectors = vectors[vectors + 1 < len(starts)]
        if len(vectors):
            self._values.vectors(block, starts, ends, when, vectors)
        if (kinds == STRING).any():
            self.findings.note("text values (s...) are left out")
        for index in np.flatnonzero((kinds == OTHER) | (kinds == KEYWORD)).tolist():
            start, end = int(starts[index]), int(ends[index])
            shown = block.text(start, min(end, start + 30)).decode("latin-1")
            self._problem(
                block,
                start,
                end,
                f"{shown!r} is neither a time nor a change",
                "a change such as 1! or b01 !",
            )


def _bare_value(first: Bytes) -> bool:
    """Whether the last token, of one character, is a value that lost its code, and no code itself."""
    return chr(first[-1]) in LEVELS and (len(first) < 2 or chr(first[-2]) not in "bBrR")


def _claimed(kinds: Bytes) -> Indices:
    """Tokens that are the code of the value before them, whatever they look like.

    Of neighbours that all look like values, every second one is a code.
    """
    values = np.flatnonzero((kinds == VECTOR) | (kinds == STRING))
    if not len(values):
        return values
    order = np.arange(len(values))
    begins = np.empty(len(values), np.bool_)
    begins[0] = True
    np.not_equal(values[1:], values[:-1] + 1, out=begins[1:])
    since = order - np.maximum.accumulate(np.where(begins, order, 0))
    codes: Indices = values[since % 2 == 0] + 1
    return codes
