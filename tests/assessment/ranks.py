"""The order that a proposal says that it follows, worked out apart from it, for brute force over small spaces."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping

from regmap.assessment.propose import ENOUGH
from regmap.calc import consequence
from regmap.chip.bank import Bank
from regmap.expr import evaluate

Rank = tuple[int, float, float]


def put(bank: Bank, codes: Mapping[str, int]) -> None:
    """These fields hold these codes."""
    for name, code in codes.items():
        item = bank.chip.field(name)
        assert item is not None
        bank.put(item, code)


def ranks(
    margins: Mapping[str, float | None], before: Mapping[str, float], bank: Bank
) -> list[Rank]:
    """Every verdict of one stage as it stands in `bank`, none left out, and every rule that is broken.

    First what is missed, or less than the stage has of the 10 % asked, by consequence; then low
    margins by consequence; then margins. `before` are the margins that the stage has.
    """
    found: list[Rank] = []
    for name in {*margins, *before}:
        margin = margins.get(name)
        kind, hold = consequence(name), max(0.0, min(before.get(name, 0.0), 0.1))
        if margin is None or margin < hold:
            found.append((0, kind, -math.inf if margin is None else margin - hold))
        elif margin < 0.1:
            found.append((1, kind, margin))
        else:
            found.append((2, 0, min(margin, ENOUGH)))
    found += [
        (-1, 0, -math.inf)
        for r in bank.chip.rules
        if r.severity == "error" and evaluate(r.require, bank) is False
    ]
    return found


def worst_first(found: Iterable[Rank]) -> list[Rank]:
    """As they are compared: the worst first, margins to ten digits."""
    return sorted((a, b, float(f"{c:.10g}")) for a, b, c in found)
