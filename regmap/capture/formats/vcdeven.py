"""Blocks of a dump in which all lines are alike: a time, then changes of one character each to lines of one.

    #8376700
    0!
    #8376800
    1!
    0%

Simulators and analysers write little else, mile after mile. There nothing has to be looked for but the times: their
distances tell how many changes lie between them, and where. That is two thirds of the work of looking at every token.
The lines are proven alike, not supposed to be: a block with anything else in it is given to the general reader.
"""

from __future__ import annotations

import numpy as np

from regmap.record import dataclass

from ..arrays import Indices, Times, Values
from .tokens import ByteBlock, digits_at

#: More changes than this in one instant are read by the general reader.
_MOST = 8
_NEVER = 255
_HASH, _LINE = ord("#"), ord("\n")


@dataclass(frozen=True, slots=True)
class EvenBlock:
    """`places` and `times` of the whole instants and of the one behind them; changes by code.

    `changes` has for each code the instants (numbers of `times`) in which it changes, in order, and to what.
    """

    places: Indices
    times: Times
    changes: dict[int, tuple[Indices, Values]]


def read_even(block: ByteBlock, codes: list[int]) -> EvenBlock | None:
    """The block if all its lines are alike and it knows all codes of its changes, else None."""
    view = block.view
    if not len(view) or view[0] != _HASH:
        return None
    width = block.store.find(b"\n", block.start, block.start + 21) - block.start
    if width < 2:
        return None
    ends = view == _LINE
    found = np.flatnonzero((view[1:] == _HASH) & ends[:-1])
    places = np.empty(len(found) + 1, np.intp)
    places[0] = 0
    np.add(found, 1, out=places[1:])
    # the last time of the block may be only the beginning of one
    while len(places) and int(places[-1]) + width >= len(view):
        places = places[:-1]
    if len(places) < 2 or not ends[places[-1] + width]:
        return None
    sizes = places[1:] - places[:-1]
    sizes -= width + 1
    most = int(sizes.max())
    if int(sizes.min()) < 0 or most > 3 * _MOST:
        return None
    counts = _COUNTS.take(sizes)
    if int(counts.max()) == _NEVER:
        return None
    # That every line ends where it should needs no look at each: no other byte may be a line end, as digits, values
    # and codes are seen to be such below, so that as many line ends as lines leave no place for one elsewhere.
    lines = len(places) - 1 + int(counts.sum(dtype=np.int64))
    if np.count_nonzero(ends[: int(places[-1])]) != lines:
        return None
    times, bad = digits_at(block, places + width, width - 1)
    if bad >= 0:
        return None
    layers: dict[int, list[tuple[Indices, Values]]] = {code: [] for code in codes}
    for layer in range(most // 3):
        # the instants with a further change, and where it stands
        some = None if int(counts.min()) > layer else np.flatnonzero(counts > layer)
        at = places[:-1] if some is None else places.take(some)
        first = width + 1 + 3 * layer
        values, ids = view[first:].take(at), view[first + 1 :].take(at)
        if np.count_nonzero(values & 0xFE == ord("0")) != len(values):
            return None
        values &= 1
        met = 0
        for code, parts in layers.items():
            which = np.flatnonzero(ids == code)
            met += len(which)
            if len(which):
                parts.append((which if some is None else some.take(which), values.take(which)))
        if met != len(ids):
            return None
    return EvenBlock(places, times, {c: _merged(p) for c, p in layers.items() if p})


def _merged(parts: list[tuple[Indices, Values]]) -> tuple[Indices, Values]:
    """The changes of one code in order of time; of one instant in the order in which they were written."""
    if len(parts) == 1:
        return parts[0]
    instants = np.concatenate([p[0] for p in parts])
    order = np.argsort(instants, kind="stable")
    return instants.take(order), np.concatenate([p[1] for p in parts]).take(order)


#: How many lines of three bytes these are; `_NEVER` where they are no whole number.
_COUNTS = np.array([n // 3 if n % 3 == 0 else _NEVER for n in range(3 * _MOST + 1)], np.uint8)
