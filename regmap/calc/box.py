"""Lowest and highest value of a function over a box, with the points at which they stand.

Each coordinate runs between two ends and says in which direction it moves the function: a
coordinate with a proven direction stands at one end, the others are tried at both. That is exact
where the function is monotone in each of them for fixed values of the others; the coordinates in
`inside`, of which nobody has proven that, are searched between their ends as well: along the edges from the
best corner, and from others too, as the best may lie where the best corner's edges do not lead.

With more corners than MOST_CORNERS the corner is climbed to, one coordinate at a time from several
starts. The search is deterministic and its effort bounded; tests hold it against grids and against
100,000 draws.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from itertools import product
from math import prod
from typing import Protocol

Point = list[float]
Ends = Sequence[tuple[float, float]]


class Function(Protocol):
    """What is sought over: its value at a point, along one coordinate, and at every corner of some (see `Program`)."""

    def __call__(self, point: Sequence[float], /) -> float: ...

    def line(self, point: Sequence[float], n: int, /) -> Callable[[float], float]: ...

    def corners(self, point: Sequence[float], box: Ends, free: Sequence[int], /) -> list[float]: ...


#: Corners that are tried one by one.
MOST_CORNERS = 1 << 8
#: Shares of the way between the ends at which the inside is looked at.
_SHARES = (0.125, 0.25, 0.375, 0.5, 0.625, 0.75, 0.875)
_FEW = (0.25, 0.5, 0.75)
#: Shares of a grid over all that is free, the finest first that has no more points than this.
_GRIDS, _MOST_GRID = (_SHARES, _FEW, (0.5,)), 1 << 6
#: Directions tried with one length of step, before and after anything was found, and the shortest step, where the best
#: runs aslant.
_TRIES, _FINEST = (60, 200), 1e-7
#: Lengths of step with which it is looked whether anything better lies aslant at all.
_LOOKED = (0.25, 0.02, 1e-3)
_ROOTS = tuple(prime**0.5 for prime in (2, 3, 5, 7, 11, 13, 17, 19, 23, 29, 31, 37))
#: A step inwards that tells whether the best lies close to an end.
_STEP = 1e-4
_ROUNDS = 8
_GOLDEN = (5**0.5 - 1) / 2
#: A gain below this share is rounding.
_NOISE = 1e-12


def extreme(
    function: Function, box: Ends, signs: Sequence[int], inside: Collection[int], *, highest: bool
) -> tuple[float, Point]:
    """The highest (or lowest) value of the function over the box, and the point at which it stands.

    `signs` are 1 (rises), -1 (falls) or 0 (not proven) for each coordinate, `inside` the numbers
    of those that may have their extreme between the ends. Whatever `function` raises passes through.
    """
    way = 1 if highest else -1
    start = [ends[1] if sign * way > 0 else ends[0] for ends, sign in zip(box, signs, strict=True)]
    free = [n for n, sign in enumerate(signs) if not sign]
    best = (function(start), start)
    if 1 << len(free) <= MOST_CORNERS:
        top = None
        for corner, value in enumerate(function.corners(start, box, free)):
            if way * (value - best[0]) > 0:
                best, top = (value, start), corner
        if top is not None:
            point = list(start)
            for place, n in enumerate(reversed(free)):
                point[n] = box[n][top >> place & 1]
            best = (best[0], point)
    else:
        for share in (0.0, 1.0, 0.5):
            point = list(start)
            for n in free:
                point[n] = box[n][0] + share * (box[n][1] - box[n][0])
            found = _climb(function, box, free, (), way, (function(point), point))
            if way * (found[0] - best[0]) > 0:
                best = found
    if inside:
        for point, value in _looks(function, box, free, inside, best[1]):
            if _better(value, best[0], way):  # only then is it worth to climb
                found = _climb(function, box, free, inside, way, (value, point))
                if _better(found[0], best[0], way):
                    best = found
    return best


def _better(new: float, old: float, way: int) -> bool:
    return way * (new - old) > _NOISE * max(abs(new), abs(old))


def _looks(
    function: Function, box: Ends, free: Sequence[int], inside: Collection[int], corner: Point
) -> Iterator[tuple[Point, float]]:
    """Points inside to look at, with their values: a few on each edge from the best corner, then what lies elsewhere.

    Elsewhere is a grid where few coordinates are free: what is inside may only show at a corner that is not the best
    (x y + x (1 - x) from x = y = 0). Of many, it is the edges from the corners beside the best and opposite, and the middle.
    """
    for n in inside:
        share = _STEP if corner[n] == box[n][0] else 1 - _STEP
        yield from _edge(function, box, corner, n, (share, *_SHARES))
    for shares in _GRIDS:
        levels = [(0.0, *shares, 1.0) if n in inside else (0.0, 1.0) for n in free]
        if prod(map(len, levels)) <= _MOST_GRID:
            deepest = min(inside, key=lambda n: len(levels) - free.index(n))
            turning = [n for n in free if n != deepest]
            for at in product(*(levels[free.index(n)] for n in turning)):
                point = list(corner)
                for n, share in zip(turning, at, strict=True):
                    point[n] = _between(box[n], share)
                yield from _edge(function, box, point, deepest, (0.0, *shares, 1.0))
            return
    if len(inside) > 1:
        middle = [_between(box[n], 0.5) if n in inside else v for n, v in enumerate(corner)]
        yield middle, function(middle)
    for turned in (*([n] for n in free if n not in inside), free):
        point = list(corner)
        for n in turned:
            point[n] = box[n][0] if point[n] == box[n][1] else box[n][1]
        for n in inside:
            yield from _edge(function, box, point, n, _FEW)


def _edge(
    function: Function, box: Ends, point: Point, n: int, shares: Sequence[float]
) -> Iterator[tuple[Point, float]]:
    """Points on the edge along one coordinate, with their values."""
    along = function.line(point, n)
    for share in shares:
        there = _between(box[n], share)
        yield [*point[:n], there, *point[n + 1 :]], along(there)


def _between(ends: tuple[float, float], share: float) -> float:
    return ends[1] if share == 1 else ends[0] + share * (ends[1] - ends[0])


def _climb(
    function: Function,
    box: Ends,
    free: Sequence[int],
    inside: Collection[int],
    way: int,
    begin: tuple[float, Point],
) -> tuple[float, Point]:
    """One coordinate at a time, until none improves."""
    best, point = begin[0], list(begin[1])
    for _ in range(_ROUNDS):
        moved = False
        for n in free:
            low, high = box[n]
            shares = (0.0, *_SHARES, 1.0) if n in inside else (0.0, 1.0)
            places = {high if share == 1 else low + share * (high - low) for share in shares}
            along = function.line(point, n)
            tried = [(way * along(there), there) for there in sorted({*places, point[n]})]
            top = max(range(len(tried)), key=lambda k: tried[k][0])
            value, there = tried[top]
            if n in inside:
                # at an end too: the best may lie between it and the first look inside
                below, above = tried[max(top - 1, 0)][1], tried[min(top + 1, len(tried) - 1)][1]
                value, there = _golden(along, below, above, way, tried[top])
            if _better(way * value, best, way):
                best, point[n], moved = way * value, there, True
        if not moved:
            break
    if len(inside) > 1:
        value, point = _along_ridges(function, box, sorted(inside), way, (way * best, point))
        best = way * value
    return best, point


def _along_ridges(
    function: Function, box: Ends, inside: Sequence[int], way: int, begin: tuple[float, Point]
) -> tuple[float, Point]:
    """From where no single coordinate improves: steps in many directions, shorter and shorter.

    Where the function is the weaker of several, its best may lie along an edge that runs aslant;
    each coordinate alone only leads off that edge. (value times way, point) in and out.
    """
    best, point = begin
    step, idle, turns, found = _LOOKED[0], 0, 0, False
    lengths = iter(_LOOKED[1:])
    while step > _FINEST:
        turns += 1
        # multiples of roots of primes, less whole numbers: directions that never repeat, no dice
        aim = [2 * (turns * root % 1) - 1 for root in _ROOTS[: len(inside)]]
        size = max(map(abs, aim)) or 1.0
        moved = False
        for turn in (step / size, -step / size):
            there = list(point)
            for n, part in zip(inside, aim, strict=False):
                low, high = box[n]
                there[n] = min(high, max(low, point[n] + turn * part * (high - low)))
            value = way * function(there)
            if value > best:
                best, point, moved = value, there, True
                break
        if moved:
            step, idle, found = step * 1.5, 0, True
        else:
            idle += 1
            if idle >= _TRIES[found]:
                # an edge looks alike from near and far: where nothing is found in a few lengths there is none
                step, idle = step / 2 if found else next(lengths, 0.0), 0
    return best, point


def _golden(
    along: Callable[[float], float], low: float, high: float, way: int, known: tuple[float, float]
) -> tuple[float, float]:
    """The best (value times way, coordinate) between two neighbours of a point that beats both."""

    def at(x: float) -> float:
        return way * along(x)

    left, right = high - _GOLDEN * (high - low), low + _GOLDEN * (high - low)
    here, there = at(left), at(right)
    best = max(known, (here, left), (there, right))
    for _ in range(60):
        if here > there:
            high, right, there = right, left, here
            left = high - _GOLDEN * (high - low)
            here = at(left)
            best = max(best, (here, left))
        else:
            low, left, here = left, right, there
            right = low + _GOLDEN * (high - low)
            there = at(right)
            best = max(best, (there, right))
    return best
