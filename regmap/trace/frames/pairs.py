"""Pairs of words (a command and what answers it), each different one kept once and numbered."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from itertools import count

import numpy as np
import numpy.typing as npt

from regmap.capture.arrays import distinct
from regmap.capture.spi import Flag, Words
from regmap.record import dataclass

#: Flags that make a frame no evidence of what the SPI really carried.
CUT = int(Flag.STARTS_MID | Flag.ENDS_MID | Flag.TOO_LONG)
#: Flags of a chain's headers: fixed bits or the count of chips are wrong, or they come back changed; and
#: from GIVEN on, one for each command that the headers can give.
HEADER, MISCOUNTED, CHANGED, GIVEN = 1 << 24, 1 << 25, 1 << 26, 1 << 32
#: Rows of a table that is looked up as a whole.
_SHORT = 256
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


def _signed(bits: int) -> int:
    """A number of a column of 64 bits, which holds those below 0 in two's complement."""
    return bits - (1 << 64) if bits >> 63 else bits


class PairTable:
    """All different pairs of one chip: `table[i]` is a Pair; columns are word, unknown, bits, flags, then replies."""

    def __init__(self, after: tuple[int, ...]) -> None:
        self.after = after
        self.count = 0
        self._columns = [np.empty(256, np.uint64) for _ in range(4 + 3 * len(after))]
        self._known: defaultdict[int | tuple[int, ...], int] = defaultdict()
        self._pairs: dict[int, Pair] = {}
        #: of a short table the keys of all rows in order, and whose they are
        self._keys, self._order = np.empty(0, np.uint64), np.empty(0, np.int32)

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
                word=word, unknown=unknown, bits=_signed(bits), flags=flags,
                replies=tuple((a, row[4 + 3 * k], row[5 + 3 * k], row[6 + 3 * k]) for k, a in enumerate(self.after)),
            )  # fmt: skip
        return pair

    def words(self, ident: int) -> tuple[int, int, int]:
        """(command, bits, the first reply) of one row, without the rest of it."""
        word, bits, reply = (int(self._columns[place][ident]) for place in (0, 2, 4))
        return word, _signed(bits), reply

    def identify(self, columns: Sequence[Words]) -> npt.NDArray[np.int32]:
        """The number of every row; new ones are added in the order in which they come."""
        known, before = self._known, self.count
        known.default_factory = count(before).__next__
        keys = mixed(columns)
        numbers = self._all_known(keys)
        if numbers is None:
            numbers = np.fromiter(map(known.__getitem__, keys.tolist()), np.int32, len(keys))
        # a row is new where its number tops all before it
        tops = np.maximum.accumulate(np.concatenate(([before - 1], numbers)))
        new = np.flatnonzero(tops[1:] > tops[:-1])
        self._append([c[new] for c in columns])
        differs = [
            np.flatnonzero(own[numbers] != c) for own, c in zip(self._columns, columns, strict=True)
        ]
        for place in distinct(np.concatenate(differs)).tolist():
            # different rows with one number: these go by all that they hold
            number = known[tuple(int(c[place]) for c in columns)]
            if number == self.count:
                self._append([c[place : place + 1] for c in columns])
            numbers[place] = number
        return numbers

    def _all_known(self, keys: Words) -> npt.NDArray[np.int32] | None:
        """The numbers of rows of which none is new, while the table is short; else None."""
        if not 0 < self.count <= _SHORT:
            return None
        if len(self._keys) != self.count:
            # of rows that have one key (the same words again, or an accident) the first has the number
            every = mixed([c[: self.count] for c in self._columns])
            self._order = np.argsort(every, kind="stable").astype(np.int32)
            self._keys = every[self._order]
        at = np.searchsorted(self._keys, keys)
        at[at == self.count] = 0
        return self._order[at] if (self._keys[at] == keys).all() else None

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
