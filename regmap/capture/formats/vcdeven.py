"""Blocks of a dump in which all lines are alike: a time, then changes of one character each to lines of one.

    #8376700
    0!
    #8376800
    1!
    0%

Simulators and analysers write little else, mile after mile. There nothing has to be looked for but the few changes that
share their instant with the one before: all other lines follow each other at one distance, and every place is reckoned.
The lines are proven alike, not supposed to be: a block with anything else in it is given to the general reader.
"""

from __future__ import annotations

import numpy as np

from regmap.record import dataclass

from ..arrays import Indices, Times, Values
from .tokens import ByteBlock, Bytes, digits_at

#: Bytes of a change with its line end.
_CHANGE = 3
_HASH, _LINE = ord("#"), ord("\n")


@dataclass(frozen=True, slots=True)
class EvenBlock:
    """`places` and `times` of the whole instants and of the one behind them; changes by code.

    An instant is of `size` bytes, and of a change more for each one beyond its first. `changes` has for each code the
    instants (numbers of `times`) in which it changes, in order, and to what.
    """

    size: int
    places: Indices
    times: Times
    changes: dict[int, tuple[Indices, Values]]

    def lines(self, count: int) -> int:
        """Lines of the first `count` instants."""
        return 2 * count + (int(self.places[count]) - count * self.size) // _CHANGE


def read_even(block: ByteBlock, codes: list[int]) -> EvenBlock | None:
    """The block if all its lines are alike and it knows all codes of its changes, else None."""
    view = block.view
    if not len(view) or view[0] != _HASH:
        return None
    width = block.store.find(b"\n", block.start, block.start + 21) - block.start
    last = _last_time(block, width)
    # a time of one digit cannot be told from a change by its length
    if width < _CHANGE or last < 3 * _CHANGE:
        return None
    ends = view[:last] == _LINE
    # a change behind a change: three line ends, each a change apart
    apart = ends[_CHANGE:] & ends[:-_CHANGE]
    more = np.flatnonzero(apart[_CHANGE:] & apart[:-_CHANGE])
    more += _CHANGE + 1
    # what is left without them is instants of one size
    size = width + 1 + _CHANGE
    count, rest = divmod(last - _CHANGE * len(more), size)
    instants = more - np.arange(0, _CHANGE * len(more), _CHANGE)
    if rest or (instants % size).any():
        return None
    instants //= size
    instants -= 1
    places = _places(instants, count, size)
    # That every line ends where it should needs no look at each: no other byte may be a line end, as all of them are
    # seen to be signs of times, digits, values and codes, so that as many line ends as lines leave no place elsewhere.
    if (
        places is None
        or np.count_nonzero(view.take(places) == _HASH) != count + 1
        or np.count_nonzero(ends) != 2 * count + len(more)
    ):
        return None
    times, bad = digits_at(block, places, 1, width - 1)
    if bad >= 0:
        return None
    first, second = _Changes(view[width + 1 :], places[:-1]), _Changes(view, more)
    if not (first.plain and second.plain):
        return None
    changes: dict[int, tuple[Indices, Values]] = {}
    left = count + len(more)
    for code in codes:
        which, also = first.of(code), second.of(code)
        left -= len(which) + len(also)
        if len(also):
            changes[code] = _merged(
                (which, first.values.take(which)), (instants.take(also), second.values.take(also))
            )
        elif len(which):
            changes[code] = which, first.values.take(which)
    return None if left else EvenBlock(size, places, times, changes)


def _last_time(block: ByteBlock, width: int) -> int:
    """Where the last whole time of so many bytes begins; 0 where none does."""
    store, start = block.store, block.start
    found = start + block.size
    # the last time of the block may be only the beginning of one
    for _ in range(2):
        found = store.rfind(b"\n#", start, found)
        if found < 0:
            return 0
        last = found + 1 - start
        if last + width < block.size:
            return last if block.view[last + width] == _LINE else 0
    return 0


def _places(instants: Indices, count: int, size: int) -> Indices | None:
    """Where `count` instants begin, and where the one behind them: each is of `size` bytes, and of a change more for
    each time that it stands in `instants`. None where there are fewer instants than that."""
    runs = np.empty(len(instants) + 1, np.intp)
    runs[:-1], runs[-1] = instants, count
    runs[1:] -= instants
    runs[0] += 1
    if int(runs.min()) < 0 or not int(runs[-1]):
        return None
    places = np.arange(0, (count + 1) * size, size)
    if len(instants):
        places += np.repeat(np.arange(0, _CHANGE * len(runs), _CHANGE), runs)
    return places


class _Changes:
    """The changes that begin at `at` of `view`; `plain`: all of them are to 0 or 1."""

    def __init__(self, view: Bytes, at: Indices) -> None:
        self.values: Values = view.take(at)
        self.plain = np.count_nonzero(self.values & 0xFE == ord("0")) == len(at)
        self.values &= 1
        self._ids = view[1:].take(at)

    def of(self, code: int) -> Indices:
        """Which of them are of this code."""
        return np.flatnonzero(self._ids == code)


def _merged(
    first: tuple[Indices, Values], second: tuple[Indices, Values]
) -> tuple[Indices, Values]:
    """The changes of one code in order of time; of one instant in the order in which they were written."""
    instants = np.concatenate((first[0], second[0]))
    order = np.argsort(instants, kind="stable")
    return instants.take(order), np.concatenate((first[1], second[1])).take(order)
