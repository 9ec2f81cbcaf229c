"""Values of a dump: scalar, vector and real changes of a block, by channel.

A variable of w bits is w channels; short vectors are extended to the left (0 and 1 with 0, x with x,
z with z). Reals become levels by thresholds.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from ..arrays import Changes, Indices, Times, Values, X, Z
from ..lines.levels import Levels
from ..lines.signals import Findings
from .tokens import ByteBlock, real_numbers
from .vcdcodes import VcdCodes
from .vcdhead import VcdHeader, VcdVariable

LEVEL = np.full(256, 255, np.uint8)
#: The four states of Verilog, and the nine of VHDL (IEEE 1164): weak levels are levels, what is not driven
#: to a level (U, W, -) is unknown.
LEVELS = {
    "0": 0, "1": 1, "x": X, "X": X, "z": Z, "Z": Z, "l": 0, "L": 0, "h": 1, "H": 1,
    "u": X, "U": X, "w": X, "W": X, "-": X,
}  # fmt: skip
for _char, _value in LEVELS.items():
    LEVEL[ord(_char)] = _value

#: (block, start, end, found, expected, severity)
Report = Callable[..., None]


class ValueTable:
    """Gathers the changes of one block; `report` takes problems with their place in the block."""

    def __init__(
        self, header: VcdHeader, findings: Findings, levels: Levels, report: Report
    ) -> None:
        self.findings = findings
        self.levels = levels
        self.variables = list(header.variables.values())
        #: Whether token numbers are wanted, to put the changes of one channel in order.
        self.ranked = False
        self._report = report
        self._names = [c.name for c in header.channels]
        self._codes = VcdCodes([v.code for v in self.variables])
        #: the codes of all variables where each is one line and has one character, else none
        self.even = [code for _, code in self._codes.few]
        if any(v.first < 0 or v.width > 1 for v in self.variables):
            self.even = []
        # channel -> (token numbers, times, values), more than once when forms are mixed
        self._parts: dict[int, list[tuple[Indices, Times, Values]]] = {}

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

    def even_changes(
        self, changes: dict[int, tuple[Indices, Values]], times: Times, count: int
    ) -> None:
        """Changes by code, as the instants in which they come; those of the first `count` instants."""
        for number, code in self._codes.few:
            if code in changes:
                instants, values = changes[code]
                if instants[-1] >= count:
                    stop = int(np.searchsorted(instants, count))
                    instants, values = instants[:stop], values[:stop]
                self._parts[self.variables[number].first] = [
                    (instants, times.take(instants), values)
                ]

    def few(
        self, block: ByteBlock, starts: Indices, values: Values, times: Times, tokens: Indices
    ) -> bool:
        """Two-byte changes of a few one-character codes; False (and nothing done) if there are others."""
        if not self._codes.few:
            return False
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

    def scalars(
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
        self, var: VcdVariable, places: Indices, values: Values, when: Times, tokens: Indices
    ) -> None:
        """Scalar changes of one variable, at `places` of the arrays."""
        if var.first < 0 or not len(places):
            return
        part = tokens, when.take(places), values.take(places)
        if self.ranked:
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
            self._report(block, start, end, found, "the code of a $var")
        self.findings.uncounted += max(0, len(lost) - 50)

    def vectors(
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
        var: VcdVariable,
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
                self._report(
                    block,
                    start - 1,
                    end,
                    f"{shown!r} is not a vector",
                    "b and digits 0, 1, x, z (or U, W, L, H, -)",
                )
            else:
                name = self._names[var.first].rsplit("[", 1)[0]
                self._report(
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
        var: VcdVariable,
        starts: Indices,
        ends: Indices,
        when: Times,
        tokens: Indices,
    ) -> None:
        texts = block.texts(starts, np.minimum(ends, starts + 64))

        def bad(index: int, text: bytes) -> None:
            self._report(
                block,
                int(starts[index]) - 1,
                int(ends[index]),
                f"{text[:30].decode('latin-1')!r} is not a real number",
                "r and a number",
            )

        volts = real_numbers(texts, bad)
        name = self._names[var.first]
        places = np.arange(len(when), dtype=np.int64)
        places, values = self.levels.digital(name, places, volts, self.findings)
        if len(places):
            self._parts.setdefault(var.first, []).append((tokens[places], when[places], values))


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
