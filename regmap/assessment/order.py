"""In which order a search over settings weighs verdicts: what may be given up for what.

First, class by class (`calc.consequences`, the gravest first): how many verdicts fail, then what held and
would not any more (or has less than it had of what it needs). Then how far those that fail fall short,
then low margins, each by class, then margins. So

- nothing that holds becomes a low margin, let alone fails, for a verdict of a milder class, nor for one that
  fails all the same;
- a verdict may begin to fail only where one of a graver class does not fail any more, and only where not
  more fail than before; one that would destroy the bridge never does.

What is needed to hold is the margin asked for, or how far the model may err, whichever is more
(`calc.verdict`): inside that a margin is low.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from ..calc.consequences import BRIDGE, CONSEQUENCES, consequence
from .search import Judged
from .stage import bare

_CLASSES = len(CONSEQUENCES)
_FORBIDDEN = -100.0
_FAILS = -20.0
#: below this stands what is lost: what fails, or holds no more
LOST = -10.0


def held(now: Judged, base: Judged, *, all_of_it: bool = False) -> float:
    """The margin that may not be lost: what is needed where the stage holds it, what it has where it has less.

    `all_of_it`: what it has, however much.
    """
    if base.margin < 0:
        return 0.0
    if all_of_it:
        return base.margin
    return now.need if base.margin >= base.need else min(base.margin, now.need)


def worth(
    check: str, base: Judged, *, strict: bool = False, all_of_it: bool = False
) -> Callable[[Judged], float]:
    """What a margin of this check is worth where the stage has `base`: one number for all but the failing.

    `strict`: nothing that does not fail may begin to.
    """
    kind = consequence(bare(check))

    def weigh(now: Judged) -> float:
        if now.margin < 0:
            if base.margin < 0:
                return kind - _CLASSES + min(1 / (1 - now.margin), 1 - 1e-9)
            return _FORBIDDEN if strict or kind == BRIDGE else _FAILS + 2 * kind
        keep = held(now, base, all_of_it=all_of_it)
        if now.margin < keep:
            return _FAILS + 2 * kind + 1 + min(1 / (1 + keep - now.margin), 1 - 1e-9)
        if now.margin < now.need:
            return (kind + now.margin / now.need) / _CLASSES
        return 1 + now.margin

    return weigh


def count(check: str) -> Callable[[Judged], float]:
    """Beside `worth`, for a check that fails as the stage is: whether it still does."""
    kind = consequence(bare(check))
    return lambda now: _FAILS + 2 * kind if now.margin < 0 else math.inf


def guard(check: str, base: Judged) -> Callable[[Judged], float]:
    """In place of `worth`, for a check that nobody asked for: nothing, unless it is lost."""
    weigh = worth(check, base, strict=True)
    return lambda now: found if (found := weigh(now)) < LOST else math.inf
