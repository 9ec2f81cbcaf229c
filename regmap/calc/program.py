"""A function of several values as formulas one after the other, of which only those are worked again that must be.

Between two corners of a box few values differ, and along an edge only one: what hangs on none of them stands.
The results are those of working everything anew, to the last digit.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

#: a formula: the place of its result, the function, the places of its arguments
Step = tuple[int, Callable[..., Any], tuple[int, ...]]


class Program:
    """Called with the values of its `size` blocks it gives the last formula's result as a float.

    Places count the blocks first, then the formulas, then the constants. Two programs of equal `ident` are the
    same function. Whatever a formula raises passes through.
    """

    __slots__ = ("_base", "_behind", "_below", "_last", "_steps", "ident")

    def __init__(self, size: int, steps: Sequence[Step], constants: Sequence[float]) -> None:
        self._steps, self._last = tuple(steps), size + len(steps) - 1
        self._behind = [*([0.0] * len(steps)), *constants]
        self.ident: tuple[object, ...] = (size, *steps, *constants)
        #: by place: the blocks that it hangs on, as bits
        self._below = [1 << n for n in range(size)] + [0] * len(self._behind)
        for place, _, taken in self._steps:
            for other in taken:
                self._below[place] |= self._below[other]
        self._base: tuple[Sequence[float], list[Any]] = ((), [])

    def __call__(self, values: Sequence[float]) -> float:
        return float(self._known(values)[self._last])

    def _known(self, values: Sequence[float]) -> list[Any]:
        known: list[Any] = [*values, *self._behind]
        for place, function, taken in self._steps:
            known[place] = function(*[known[n] for n in taken])
        return known

    def line(self, values: Sequence[float], block: int) -> Callable[[float], float]:
        """The function of one block's value where the others stay as they are."""
        if self._base[0] != values:  # several blocks are moved from one point
            self._base = (list(values), self._known(values))
        known, last = list(self._base[1]), self._last
        steps = [step for step in self._steps if self._below[step[0]] >> block & 1]

        def at(value: float) -> float:
            known[block] = value
            for place, function, taken in steps:
                known[place] = function(*[known[n] for n in taken])
            return float(known[last])

        return at

    def corners(
        self, values: Sequence[float], box: Sequence[tuple[float, float]], free: Sequence[int]
    ) -> list[float]:
        """The function at every corner of the blocks in `free`, as `product((0, 1), ...)` counts their ends."""
        # what most formulas hang on turns slowest, so that few are worked at every corner
        weight = {n: sum(self._below[s[0]] >> n & 1 for s in self._steps) for n in free}
        order = sorted(free, key=lambda n: -weight[n])
        known: list[Any] = [*values, *self._behind]
        groups: list[list[Step]] = [[] for _ in order]
        for step in self._steps:
            turning = [d for d, n in enumerate(order) if self._below[step[0]] >> n & 1]
            if turning:
                groups[turning[-1]].append(step)
            else:
                known[step[0]] = step[1](*[known[n] for n in step[2]])
        turns = [
            (n, *box[n], 1 << len(free) - 1 - free.index(n), group)
            for n, group in zip(order, groups, strict=True)
        ]
        deepest = len(order) - 1
        found = [0.0] * (1 << len(free))
        corner = 0
        for code in range(len(found)):
            first = deepest - ((code & -code).bit_length() - 1) if code else 0
            for depth in range(first, len(turns)):
                n, low, high, bit, steps = turns[depth]
                if code >> deepest - depth & 1:
                    known[n], corner = high, corner | bit
                else:
                    known[n], corner = low, corner & ~bit
                for place, function, taken in steps:
                    known[place] = function(*[known[m] for m in taken])
            found[corner] = float(known[self._last])
        return found
