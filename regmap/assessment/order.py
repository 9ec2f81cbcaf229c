"""In which order a search over settings weighs verdicts: what may be given up for what.

Class by class (`calc.consequences`, the gravest first), and in each class

1. how many verdicts fail: of those that failed before, and of those that begin to;
2. what held and would not any more, or has less than it had of what it needs;
3. what failed before and would fail by more.

Only where all classes are equal in these, how far those that fail fall short, then low margins, each by class, then
margins. So

- nothing that holds becomes a low margin, let alone fails, for a verdict of a milder class, nor for one that
  fails all the same;
- nothing that fails gets deeper, unless fewer of its own class or of a graver one fail for it. The worst margin of a
  class is therefore raised only as far as no other failing one pays for it: a dead time that is too short is not made
  shorter still so that a short circuit heats a switch less, which it destroys either way;
- a verdict may begin to fail only where one of a graver class does not fail any more, and only where not
  more fail than before; one that would destroy the bridge never does;
- a dead time that stands behind another is shortened for a bridge that fails less often only;
- what stops the drive in normal running (a false trip, a watchdog too short for its service) begins to fail only for what would
  destroy the bridge: a protection that always trips protects nothing that runs. To mend one costs no protection either.

What is needed to hold is the margin asked for, or how far the model may err, whichever is more
(`calc.verdict`): inside that a margin is low.
"""

from __future__ import annotations

import math
from collections.abc import Callable

from ..calc.consequences import BRIDGE, CONSEQUENCES, STOPS, consequence
from .search import Judged
from .stage import bare

#: begins the name of a goal about a backstop that may be shortened
BACKSTOP = "backstop "
_CLASSES = len(CONSEQUENCES)
_FORBIDDEN = -100.0
#: below this stands what is lost: what fails, holds no more, or fails by more
LOST = -10.0
#: of each class, in this order
_FAILS, _LOSES, _DEEPER, _AFTER = range(4)
#: below this share of a margin two are the same
_SAME = 1e-9


def _level(kind: int, what: int) -> float:
    return 4.0 * (kind - _CLASSES) + what + 2 * LOST


def _by(amount: float) -> float:
    """A share below 1 of a level: less for a larger loss."""
    return min(1 / (1 + amount), 1 - 1e-9)


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
    begins = _level(BRIDGE, _AFTER) if kind == STOPS else _level(kind, _FAILS)
    if strict or kind == BRIDGE:
        begins = _FORBIDDEN

    def weigh(now: Judged) -> float:
        if now.margin < 0:
            if base.margin >= 0:
                return begins
            if now.margin < base.margin - _SAME * max(1.0, abs(base.margin)):
                return _level(kind, _DEEPER) + _by(base.margin - now.margin)
            return kind - _CLASSES + _by(-now.margin)
        keep = held(now, base, all_of_it=all_of_it)
        if now.margin < keep:
            return _level(kind, _LOSES) + _by(keep - now.margin)
        if now.margin < now.need:
            return (kind + now.margin / now.need) / _CLASSES
        return 1 + now.margin

    return weigh


def count(check: str) -> Callable[[Judged], float]:
    """Beside `worth`, for a check that fails as the stage is: whether it still does."""
    kind = consequence(bare(check))
    return lambda now: _level(kind, _FAILS) if now.margin < 0 else math.inf


def guard(check: str, base: Judged) -> Callable[[Judged], float]:
    """In place of `worth`, for a check that nobody asked for: nothing, unless it is lost, or fails by more."""
    weigh = worth(check, base, strict=True)
    return lambda now: found if (found := weigh(now)) < LOST else math.inf


def backstop(now: Judged) -> float:
    """Of a dead time that stands behind another: given up for a bridge that fails only, and by as little as can be.

    `now` is infinite while it is not shortened, else the margin that the shorter one has alone.
    """
    if now.margin == math.inf:
        return math.inf
    return (
        _level(BRIDGE, _AFTER) + _by(1 / (1 + max(now.margin, 0.0)))
        if now.margin >= 0
        else -math.inf
    )
