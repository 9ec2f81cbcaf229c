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

import numpy as np

from .blocks import BLOCK, BlockCapture, Changes
from .levels import Levels
from .signals import Findings, Indices, Times, Values, X, Z
from .source import Source
from .tokens import ByteBlock, Bytes, unsigned
from .vcdcodes import Codes
from .vcdhead import KEYWORDS, Header, HeaderReader, Variable

# The class of a token by its first byte.
OTHER, TIME, SCALAR, VECTOR, KEYWORD, STRING, CODE = range(7)
_CLASS = np.zeros(256, np.uint8)
_CLASS[ord("#")] = TIME
_CLASS[[ord(c) for c in "01xXzZ"]] = SCALAR
_CLASS[[ord(c) for c in "bBrR"]] = VECTOR
_CLASS[[ord(c) for c in "sS"]] = STRING
_CLASS[ord("$")] = KEYWORD

_MARKS = frozenset((b"$dumpvars", b"$dumpall", b"$dumpoff", b"$dumpon", b"$end"))
_TEXTS = frozenset((b"$comment", b"$date", b"$version", b"$vcdclose"))

LEVEL = np.full(256, 255, np.uint8)
for _char, _value in (("0", 0), ("1", 1), ("x", X), ("X", X), ("z", Z), ("Z", Z)):
    LEVEL[ord(_char)] = _value


class VcdCapture(BlockCapture):
    """A value change dump. Channels are known at once, blocks come as the file is read."""

    format = "vcd"

    def __init__(self, source: Source, *, levels: Levels | None = None, block: int = BLOCK) -> None:
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


class Body:
    """The changes of a dump, block after block.

    `until` is how far it is complete (None before the first time), `first` the first time of all.
    """

    no_time = "#0 and changes after it"

    def __init__(self, header: Header, findings: Findings, levels: Levels) -> None:
        self.findings = findings
        self.levels = levels
        self.until: int | None = None
        self.first = 0
        self.stopped = False
        self.bad = 0
        self.in_text = False
        self.cut = ""
        self.variables = list(header.variables.values())
        self._names = [c.name for c in header.channels]
        self._codes = Codes([v.code for v in self.variables])
        # channel -> (token numbers, times, values), more than once when forms are mixed
        self._parts: dict[int, list[tuple[Indices, Times, Values]]] = {}
        self._line = 0
        # Whether token numbers are wanted, to put the changes of one channel in order.
        self._ranked = False

    def collect(self) -> Changes:
        """The changes of the last block by channel."""
        found: Changes = {}
        for index, parts in self._parts.items():
            if len(parts) == 1:
                found[index] = parts[0][1:]
            else:
                order = np.argsort(np.concatenate([p[0] for p in parts]), kind="stable")
                found[index] = (
                    np.concatenate([p[1] for p in parts])[order],
                    np.concatenate([p[2] for p in parts])[order],
                )
        self._parts = {}
        return found

    def take(self, block: ByteBlock, line: int, *, final: bool, cut: bool) -> int:
        """Read one block; the number of bytes used (the rest is to come again, with more behind it).

        `cut` says that the last token of a final block may be only the beginning of one.
        """
        self._line = line
        self._ranked = False
        self.in_text = False
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
        times, bad = unsigned(block, starts.take(clocks) + 1, ends.take(clocks))
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
        used = int(starts[stop]) if stop < len(starts) else block.size
        starts, ends, kinds = starts[:stop], ends[:stop], kinds[:stop]
        if plain:
            self._plain(block, starts, ends, clocks, times, first[:stop], least)
        else:
            self._mixed(block, starts, ends, clocks, times, kinds)
        return used

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
        if number.isascii() and number.isdigit() and len(number) <= 18:
            self._problem(
                block,
                start,
                end,
                f"time runs backwards: {shown} after #{before}",
                f"#{before} or later",
            )
        elif number.isascii() and number.isdigit():
            self._problem(block, start, end, f"time {shown} is too large", "at most 18 digits")
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
                if word == b"$dumpoff":
                    self.findings.note("recording was switched off for a time ($dumpoff)")
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
    ) -> None:
        """Times and scalars only; no token is shorter than `least`."""
        scalars = np.flatnonzero(first != ord("#"))
        if not len(scalars):
            return
        # Where one byte parts all tokens, the bytes between the times tell how long the changes are;
        # if none is shorter than two and they are two on average, each one is two.
        pairs = False
        if least >= 2:
            total = int(ends[-1]) - int(starts[0]) - len(starts) + 1
            pairs = total - int((ends.take(clocks) - starts.take(clocks)).sum()) == 2 * len(scalars)
        starts = starts.take(scalars)
        values = first.take(scalars)
        if int(values.max()) <= ord("1"):
            values &= 1
        else:
            values = LEVEL.take(values)
        if pairs and self._codes.few and self._few(block, starts, values, times, scalars):
            return
        # Changes before the first time belong to it; the changes behind each time are neighbours.
        counts = np.diff(clocks, append=len(first)) - 1
        counts[0] += clocks[0]
        when = np.repeat(times, counts)
        self._scalars(block, starts, ends.take(scalars), values, when, scalars)

    def _few(
        self, block: ByteBlock, starts: Indices, values: Values, times: Times, tokens: Indices
    ) -> bool:
        """Two-byte changes of a few one-character codes; False if any is of another code."""
        ids = block.view[1:].take(starts)
        groups = [(n, np.flatnonzero(ids == code)) for n, code in self._codes.few]
        if sum(len(p) for _, p in groups) != len(ids):
            return False
        for number, places in groups:
            var = self.variables[number]
            if var.first < 0 or var.width > 1:
                counted = tokens - np.arange(len(tokens)) - 1
                when = times.take(np.maximum(counted, 0))
                self._keep(var, places, values, when, tokens)
            elif len(places):
                # Of the tokens before the k-th change, k are changes: all others are times.
                when = tokens.take(places)
                when -= places
                when -= 1
                if when[0] < 0:
                    np.maximum(when, 0, out=when)
                self._parts[var.first] = [(places, times.take(when), values.take(places))]
        return True

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
        self._ranked = True
        counts = np.diff(clocks, append=len(kinds))
        counts[0] += clocks[0]
        when = np.repeat(times, counts)
        scalars = np.flatnonzero(kinds == SCALAR)
        at = starts.take(scalars)
        self._scalars(
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
            self._vectors(block, starts, ends, when, vectors)
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

    def _scalars(
        self,
        block: ByteBlock,
        starts: Indices,
        ends: Indices,
        values: Values,
        when: Times,
        tokens: Indices,
    ) -> None:
        if not len(starts):
            return
        numbers = self._codes.lookup(block, starts + 1, ends)
        self._unknown(block, starts, ends, numbers)
        for number, places in _groups(numbers, len(self.variables)):
            self._keep(self.variables[number], places, values, when, tokens)

    def _keep(
        self, var: Variable, places: Indices, values: Values, when: Times, tokens: Indices
    ) -> None:
        """Scalar changes of one variable, at `places` of the arrays."""
        if var.first < 0 or not len(places):
            return
        part = tokens, when.take(places), values.take(places)
        if self._ranked:
            part = tokens.take(places), part[1], part[2]
        self._parts.setdefault(var.first, []).append(part)
        if var.width > 1:
            # One character for a wide variable: 0 and 1 extend with 0, x and z with themselves.
            rest = np.where(part[2] > 1, part[2], 0).astype(np.uint8)
            for bit in range(1, var.width):
                self._parts.setdefault(var.first + bit, []).append((part[0], part[1], rest))

    def _unknown(
        self,
        block: ByteBlock,
        starts: Indices,
        ends: Indices,
        numbers: Indices,
        *,
        apart: bool = False,
    ) -> None:
        lost = np.flatnonzero(numbers < 0)
        for index in lost[:50].tolist():
            start, end = int(starts[index]), int(ends[index])
            shown = block.text(start, min(end, start + 30)).decode("latin-1")
            if apart:
                found = f"code {shown!r} is not declared"
            else:
                found = (
                    f"{shown!r} has no code"
                    if end - start == 1
                    else f"{shown!r}: its code is not declared"
                )
            self._problem(block, start, end, found, "the code of a $var")
        self.findings.uncounted += max(0, len(lost) - 50)

    def _vectors(
        self, block: ByteBlock, starts: Indices, ends: Indices, when: Times, tokens: Indices
    ) -> None:
        codes = tokens + 1
        numbers = self._codes.lookup(block, starts.take(codes), ends.take(codes))
        self._unknown(block, starts.take(codes), ends.take(codes), numbers, apart=True)
        for number, places in _groups(numbers, len(self.variables)):
            var = self.variables[number]
            if var.first < 0:
                continue
            mine = tokens.take(places)
            a, b, t = starts.take(mine) + 1, ends.take(mine), when.take(mine)
            real = block.view.take(a - 1) & 0xDF == ord("R")
            if real.any():
                some = np.flatnonzero(real)
                self._reals(block, var, a[some], b[some], t[some], mine[some])
                some = np.flatnonzero(~real)
                a, b, t, mine = a[some], b[some], t[some], mine[some]
            # The table of characters is `width` columns wide: keep it to a few MiB.
            rows = max(1, (1 << 20) // var.width)
            for at in range(0, len(a), rows):
                part = slice(at, at + rows)
                self._bits(block, var, a[part], b[part], t[part], mine[part])

    def _bits(
        self,
        block: ByteBlock,
        var: Variable,
        starts: Indices,
        ends: Indices,
        when: Times,
        tokens: Indices,
    ) -> None:
        at = ends[:, None] - 1 - np.arange(var.width)
        levels = LEVEL.take(block.view.take(np.maximum(at, 0)))
        # Left extension: 0 and 1 with 0, x with x, z with z.
        first = LEVEL.take(block.view.take(starts))
        fill = np.where(first == 1, 0, first).astype(np.uint8)
        levels = np.where(at >= starts[:, None], levels, fill[:, None])
        wrong = np.flatnonzero(
            (levels == 255).any(axis=1) | (ends - starts < 1) | (ends - starts > var.width)
        )
        for index in wrong[:50].tolist():
            start, end = int(starts[index]), int(ends[index])
            shown = block.text(start - 1, min(end, start + 40)).decode("latin-1")
            if 0 < end - start <= var.width or end == start:
                self._problem(
                    block, start - 1, end, f"{shown!r} is not a vector", "b and digits 0, 1, x, z"
                )
            else:
                name = self._names[var.first].rsplit("[", 1)[0]
                self._problem(
                    block,
                    start - 1,
                    end,
                    f"{end - start} digits for {name}",
                    f"at most {var.width}",
                    "warning",
                )
        levels[levels == 255] = X
        for bit in range(var.width):
            self._parts.setdefault(var.first + bit, []).append(
                (tokens, when, np.ascontiguousarray(levels[:, bit]))
            )

    def _reals(
        self,
        block: ByteBlock,
        var: Variable,
        starts: Indices,
        ends: Indices,
        when: Times,
        tokens: Indices,
    ) -> None:
        texts = block.texts(starts, np.minimum(ends, starts + 64))
        try:
            volts = texts.astype(np.float64)
        except ValueError:
            volts = np.full(len(texts), np.nan)
            for index, text in enumerate(texts.tolist()):
                try:
                    volts[index] = float(text)
                except ValueError:
                    self._problem(
                        block,
                        int(starts[index]) - 1,
                        int(ends[index]),
                        f"{text[:30].decode('latin-1')!r} is not a real number",
                        "r and a number",
                    )
        name = self._names[var.first]
        places = np.arange(len(when), dtype=np.int64)
        places, values = self.levels.digital(name, places, volts, self.findings)
        if len(places):
            self._parts.setdefault(var.first, []).append((tokens[places], when[places], values))


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


def _groups(numbers: Indices, count: int) -> list[tuple[int, Indices]]:
    """(variable, places of its changes in order) for every variable that has some."""
    sizes = np.bincount(numbers[numbers >= 0], minlength=count)
    used = np.flatnonzero(sizes)
    if len(used) <= 8:
        return [(int(n), np.flatnonzero(numbers == n)) for n in used]
    small = numbers.astype(np.int16) if count < 1 << 15 else numbers
    order = np.argsort(small, kind="stable")
    order = order[len(numbers) - int(sizes.sum()) :]
    cuts = np.cumsum(sizes[used])
    return [(int(n), order[c - sizes[n] : c]) for n, c in zip(used, cuts, strict=True)]
