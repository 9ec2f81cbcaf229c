"""No more than is needed: a change that mends is taken back as far as what it mended stays mended.

A search that is ended before it is through has gone further than it had to: a dead time far beyond what its verdict
asks for costs other margins. Where nothing is proven to be the best, the least change is the better answer.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence

from .search import Choosable, Codes, Goal, Judged


def shrink(
    variables: Mapping[int, Choosable],
    goals: Sequence[Goal],
    codes: Mapping[int, int],
    pulse: Callable[[], None],
) -> dict[int, int]:
    """These codes with each change taken back toward the current code, as far as no goal is in a worse class for it.

    A goal that fails, has a low margin or holds does not become worse than that, and one that fails does not fall
    deeper than it is, or than it was before any change. Changes that mend nothing stand: they are taken for what they
    gain of a margin. `pulse` is called for each margin that is looked up; what it raises passes through.
    """
    made = dict(codes)
    now = {n: v.current for n, v in variables.items()}
    touching = {n: [g for g in goals if n in g.scope] for n in variables}

    def judged(goal: Goal, there: Mapping[int, int]) -> Judged:
        pulse()
        return goal.judged(tuple(there[n] for n in goal.scope))

    def allows(goal: Goal, there: Mapping[int, int]) -> bool:
        here, then = judged(goal, made), judged(goal, there)
        if _class(then) != _class(here):
            return _class(then) > _class(here)
        return then.margin >= min(0.0, here.margin, judged(goal, now).margin)

    if not any(_class(judged(g, made)) > _class(judged(g, now)) for g in goals if g.scope):
        return made
    # what moves the most goals first: where two changes mend the same, that one costs more
    changed = [n for n in sorted(variables, key=lambda n: -len(touching[n])) if made[n] != now[n]]
    moved = True
    while moved:
        moved = False
        for n in changed:
            code = _nearest(
                variables[n],
                made[n],
                lambda c, n=n: all(allows(g, {**made, n: c}) for g in touching[n]),  # type: ignore[misc]
            )
            if code != made[n]:
                made[n], moved = code, True
    return made


def _nearest(variable: Choosable, code: int, allowed: Callable[[int], bool]) -> int:
    """The code between the current one and this that is nearest to the current one, as far as halving finds it."""
    order: Codes = variable.order or variable.codes
    if variable.current not in order:
        return code
    bad, good = order.index(variable.current), order.index(code)
    if bad == good:
        return code
    if allowed(order[bad]):
        return order[bad]
    while abs(good - bad) > 1:
        middle = (bad + good) // 2
        if allowed(order[middle]):
            good = middle
        else:
            bad = middle
    return order[good]


def _class(judged: Judged) -> int:
    """Lost, fails, low margin, holds."""
    if judged.margin < 0:
        return -1 if judged.margin == -math.inf else 0
    return 1 if judged.margin < judged.need else 2
