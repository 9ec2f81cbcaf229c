"""Pairs of words (a command and what answers it), each different one kept once and numbered."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import repeat

import numpy as np
import numpy.typing as npt

from regmap.capture.spi import Flag, Words

#: Flags that make a frame no evidence of what the bus really carried.
CUT = int(Flag.STARTS_MID | Flag.ENDS_MID | Flag.TOO_LONG)
_MIX = np.uint64(0x9E3779B97F4A7C15)


@dataclass(frozen=True, slots=True, kw_only=True)
class Pair:
    """One frame with what could answer it. `replies` is keyed by latency: (word, unknown, bits).

    `bits` below 0 says that so many clocks were no whole number of frames for the chain.
    """

    word: int
    unknown: int
    bits: int
    flags: int
    replies: tuple[tuple[int, int, int, int], ...]

    def reply(self, after: int) -> tuple[int, int, int]:
        """(word, unknown bits, bits) of the reply that comes `after` frames later; bits 0: none."""
        for latency, word, unknown, bits in self.replies:
            if latency == after:
                return word, unknown, bits
        return 0, 0, 0


def mixed(columns: Sequence[Words]) -> Words:
    """One number for each row of columns, different for different rows but for rare accidents."""
    value = np.zeros(len(columns[0]), np.uint64)
    for column in columns:
        value = (value ^ column) * _MIX
        value ^= value >> np.uint64(29)
    return value


class PairTable:
    """All different pairs of one chip: `table[i]` is a Pair; columns are word, unknown, bits, flags, then replies."""

    def __init__(self, after: tuple[int, ...]) -> None:
        self.after = after
        self.count = 0
        self._columns = [np.empty(256, np.uint64) for _ in range(4 + 3 * len(after))]
        self._known: dict[int, int] = {}
        self._pairs: dict[int, Pair] = {}

    def __len__(self) -> int:
        return self.count

    def column(self, place: int, first: int = 0) -> Words:
        """One column of the rows from `first` on."""
        return self._columns[place][first : self.count]

    def __getitem__(self, ident: int) -> Pair:
        pair = self._pairs.get(ident)
        if pair is None:
            row = [int(c[ident]) for c in self._columns]
            word, unknown, bits, flags = row[:4]
            pair = self._pairs[ident] = Pair(
                word=word, unknown=unknown, bits=bits - (1 << 64) if bits >> 63 else bits, flags=flags,
                replies=tuple((a, row[4 + 3 * k], row[5 + 3 * k], row[6 + 3 * k]) for k, a in enumerate(self.after)),
            )  # fmt: skip
        return pair

    def identify(self, columns: Sequence[Words]) -> npt.NDArray[np.int32]:
        """The number of every row, new ones added."""
        if not len(columns[0]):
            return np.empty(0, np.int32)
        hashes, first, inverse = np.unique(mixed(columns), return_index=True, return_inverse=True)
        rows = [c[first] for c in columns]
        if any((c != r[inverse]).any() for c, r in zip(columns, rows, strict=True)):
            # two different rows share a number: compare all columns, slower
            stacked = np.unique(np.stack(columns), axis=1, return_inverse=True)
            rows, inverse = list(stacked[0]), stacked[1].reshape(-1)
            hashes = mixed(rows)
        known = self._known
        numbers = np.fromiter(map(known.get, hashes.tolist(), repeat(-1)), np.int32, len(hashes))
        old = np.flatnonzero(numbers >= 0)
        for column, row in zip(self._columns, rows, strict=True):
            wrong = old[column[numbers[old]] != row[old]]
            numbers[wrong] = -1
        new = np.flatnonzero(numbers < 0)
        if len(new):
            numbers[new] = np.arange(self.count, self.count + len(new))
            self._append([r[new] for r in rows])
            known.update(zip(hashes[new].tolist(), numbers[new].tolist(), strict=True))
        result: npt.NDArray[np.int32] = numbers[inverse]
        return result

    def again(self, ident: int) -> int:
        """A further number for the words of a row."""
        self._append([c[ident : ident + 1].copy() for c in self._columns])
        return self.count - 1

    def _append(self, rows: list[Words]) -> None:
        need = self.count + len(rows[0])
        if need > len(self._columns[0]):
            room = max(need, 2 * len(self._columns[0]))
            for place, column in enumerate(self._columns):
                wide = np.empty(room, np.uint64)
                wide[: self.count] = column[: self.count]
                self._columns[place] = wide
        for column, row in zip(self._columns, rows, strict=True):
            column[self.count : need] = row
        self.count = need
