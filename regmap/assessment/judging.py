"""What the verdicts of a check come to as margins of a search's goals."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING

from .search import Codes, Goal, Judged

if TYPE_CHECKING:
    from ..calc import Verdict


def with_fixed(
    goal: Goal,
    scope: tuple[int, ...],
    inner: tuple[int, ...],
    fixed: dict[int, int],
) -> Callable[[Codes], Judged]:
    """A goal over `scope` as one over `inner`, the others of its variables fixed."""

    def work(codes: Codes) -> Judged:
        given = {**fixed, **dict(zip(inner, codes, strict=True))}
        return goal.judged(tuple(given[n] for n in scope))

    return work


def judged_all(
    verdicts: Mapping[str, Verdict],
    told: tuple[str, ...],
    has: Mapping[str, Judged],
    *,
    removed: bool,
) -> dict[str, Judged]:
    """What these verdicts come to for the goals told: lost where one is not there any more.

    But where the settings leave no hazard to judge, what the stage does not hold is mended, and what it holds is neither
    lost nor better for it. The first of them also speaks for those that nobody knew of before.
    """
    found = {name: judged(verdicts[name]) for name in told if name in verdicts}
    others = [judged(v) for name, v in verdicts.items() if name not in told and not has]
    made = {}
    for name in told:
        base, nothing = has.get(name), Judged(-math.inf if has else math.inf)
        if removed and has:
            nothing = base if base is not None and base.margin >= base.need else Judged(math.inf)
        made[name] = found.get(name, nothing)
    made[told[0]] = min(made[told[0]], *others, key=lambda j: j.margin) if others else made[told[0]]
    return made


def judged(verdict: Verdict) -> Judged:
    """The margin of a verdict and what it needs, so that the two say what the verdict's status says."""
    margin = -math.inf if verdict.relative is None else verdict.relative
    need = max(verdict.asked_margin, verdict.model_error)
    if verdict.status == "holds":
        need = min(need, max(margin, 0.0))
    elif verdict.status == "low_margin" and margin >= need:
        need = math.nextafter(margin, math.inf)
    return Judged(margin, need)
