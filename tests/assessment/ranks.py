"""The order that a proposal says that it follows, worked out apart from it, for brute force over small spaces."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from regmap.assessment.propose import ENOUGH
from regmap.calc import CONSEQUENCES, Verdict, consequence
from regmap.chip.bank import Bank
from regmap.expr import evaluate

#: the class of what stops the drive in normal running
STOPS = CONSEQUENCES.index("stops the drive in normal running")

Rank = tuple[int, int, int, float]

#: A verdict that would destroy the bridge begins to fail: never.
NEVER = -1
#: What counts first of each class: what fails, what is lost, what fails by more; a false trip that begins comes after the bridge.
FAILS, LOST, DEEPER, TRIPS = range(4)


def put(bank: Bank, codes: Mapping[str, int]) -> None:
    """These fields hold these codes."""
    for name, code in codes.items():
        item = bank.chip.field(name)
        assert item is not None
        bank.put(item, code)


def margin(verdict: Verdict | None) -> float:
    return -math.inf if verdict is None or verdict.relative is None else verdict.relative


def ranks(now: Mapping[str, Verdict], before: Mapping[str, Verdict], bank: Bank) -> list[Rank]:
    """Every verdict of one stage as it stands in `bank`, none left out, and every rule that is broken.

    First, class by class, how many fail, what holds no more (or less than the stage has of what it
    needs) and what fails by more; then what fails, by how much; then low margins; then margins. `before` is what the stage
    has.
    """
    found: list[Rank] = []
    for name in {*now, *before}:
        verdict, had = now.get(name), before.get(name)
        has, kind = margin(verdict), consequence(name)
        if has < 0:
            if margin(had) < 0:
                deeper = has < margin(had) - 1e-9 * max(1.0, abs(margin(had)))
                by = (0, kind, DEEPER, has - margin(had)) if deeper else (1, kind, 0, has)
                found += [(0, kind, FAILS, 0.0), by]
            elif kind == 0:
                found.append((NEVER, 0, 0, 0.0))
            else:
                found.append((0, 0, TRIPS, 0.0) if kind == STOPS else (0, kind, FAILS, 0.0))
            continue
        assert verdict is not None
        need = max(verdict.asked_margin, verdict.model_error)
        assert verdict.status == ("holds" if has >= need else "low_margin")
        keep = 0.0
        if had is not None and had.status == "holds":
            keep = need
        elif margin(had) >= 0:
            keep = min(margin(had), need)
        if has < keep - 1e-9:
            found.append((0, kind, LOST, has - keep))
        elif has < need:
            found.append((2, kind, 0, has / need))
        else:
            found.append((3, 0, 0, min(has, ENOUGH)))
    found += [
        (-2, 0, 0, 0.0)
        for r in bank.chip.rules
        if r.severity == "error" and evaluate(r.require, bank) is False
    ]
    return found


def worst_first(found: Iterable[Rank]) -> list[Rank]:
    """As they are compared: the worst first, margins to ten digits; what is missing at the end asks for nothing."""
    rows = sorted((a, b, c, float(f"{d:.10g}")) for a, b, c, d in found)
    return [*rows, (9, 0, 0, 0.0)]


def missed(found: Iterable[Rank]) -> int:
    """How many verdicts of these fail."""
    return sum(rank[0] in (NEVER, 0) and rank[2] in (FAILS, TRIPS) for rank in found)


def best(candidates: Iterable[list[Rank]], stated: list[Rank]) -> list[Rank]:
    """The best of these, of which no more fail than of `stated`; then none that begins to fail, if that comes to more."""
    rows = list(candidates)
    found = max(rows)
    if missed(found) <= missed(stated):
        return found
    return max(r for r in rows if not begins(r))


def begins(found: list[Rank]) -> bool:
    """Whether something begins to fail: of what failed before it is told by how much, too."""
    return missed(found) > sum(rank[0] == 1 or rank[:3:2] == (0, DEEPER) for rank in found)
