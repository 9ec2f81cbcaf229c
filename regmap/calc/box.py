"""Lowest and highest value of a function over a box, with the points at which they stand.

Each coordinate runs between two ends and says in which direction it moves the function: a
coordinate with a proven direction stands at one end, the others are tried at both. That is exact
where the function is monotone in each of them for fixed values of the others; the coordinates in
`inside`, of which nobody has proven that, are searched between their ends as well.

With more corners than MOST_CORNERS the corner is climbed to, one coordinate at a time from several
starts. The search is deterministic and its effort bounded; tests hold it against grids and against
100,000 draws.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Sequence
from itertools import product

Point = list[float]
Ends = Sequence[tuple[float, float]]
Function = Callable[[Sequence[float]], float]

#: Corners that are tried one by one.
MOST_CORNERS = 1 << 8
#: Shares of the way between the ends at which the inside is looked at.
_SHARES = (0.125, 0.25, 0.375, 0.5, 0.625, 0.75, 0.875)
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
        for pattern in product((0, 1), repeat=len(free)):
            point = list(start)
            for n, end in zip(free, pattern, strict=True):
                point[n] = box[n][end]
            value = function(point)
            if way * (value - best[0]) > 0:
                best = (value, point)
    else:
        for share in (0.0, 1.0, 0.5):
            point = list(start)
            for n in free:
                point[n] = box[n][0] + share * (box[n][1] - box[n][0])
            found = _climb(function, box, free, (), way, (function(point), point))
            if way * (found[0] - best[0]) > 0:
                best = found
    if inside:
        for point in _looks(box, inside, best[1]):
            value = function(point)
            if _better(value, best[0], way):  # only then is it worth to climb
                found = _climb(function, box, free, inside, way, (value, point))
                if _better(found[0], best[0], way):
                    best = found
    return best


def _better(new: float, old: float, way: int) -> bool:
    return way * (new - old) > _NOISE * max(abs(new), abs(old))


def _looks(box: Ends, inside: Collection[int], corner: Point) -> Iterator[Point]:
    """Points inside to look at: a few on each edge from the corner, and the middle."""
    for n in inside:
        low, high = box[n]
        for share in (0.25, 0.5, 0.75):
            yield [*corner[:n], low + share * (high - low), *corner[n + 1 :]]
    if len(inside) > 1:
        yield [
            (box[n][0] + box[n][1]) / 2 if n in inside else value for n, value in enumerate(corner)
        ]


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
            tried = []
            for share in shares:
                there = high if share == 1 else low + share * (high - low)
                tried.append((way * function([*point[:n], there, *point[n + 1 :]]), there))
            top = max(range(len(tried)), key=lambda k: tried[k][0])
            value, there = tried[top]
            inner = n in inside and 0 < top < len(tried) - 1
            if inner and not _better(best, way * value, way):
                value, there = _golden(
                    function, point, n, tried[top - 1][1], tried[top + 1][1], way, tried[top]
                )
            if _better(way * value, best, way):
                best, point[n], moved = way * value, there, True
        if not moved:
            break
    return best, point


def _golden(
    function: Function,
    point: Point,
    n: int,
    low: float,
    high: float,
    way: int,
    known: tuple[float, float],
) -> tuple[float, float]:
    """The best (value times way, coordinate) between two neighbours of a point that beats both."""

    def at(x: float) -> float:
        return way * function([*point[:n], x, *point[n + 1 :]])

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
