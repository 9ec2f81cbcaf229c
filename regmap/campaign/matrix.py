"""One campaign for each of several boards, side by side: every case in every variant, the worst first.

found = campaign_matrix([(campaign, list(run_campaign(campaign))) for campaign in campaigns])
found.rows[0].case, found.rows[0].verdicts
"""

from __future__ import annotations

from collections.abc import Sequence

from regmap.record import dataclass

from .load import Campaign
from .results import VERDICTS
from .run import Result

#: from the worst to the best
_ORDER = ("fail", "error", "skipped", "pass")


@dataclass(frozen=True, slots=True)
class CampaignRow:
    """One case: its verdict in each variant, the worst of its repeats; "" where a variant has no such case."""

    case: str
    verdicts: tuple[str, ...]

    @property
    def worst(self) -> str:
        """The worst of all variants."""
        return min((v for v in self.verdicts if v), key=_ORDER.index)


@dataclass(frozen=True, slots=True)
class CampaignMatrix:
    """`names` are the variants in the order asked for, `rows` the cases, those that fail first."""

    names: tuple[str, ...]
    rows: tuple[CampaignRow, ...]

    @property
    def counts(self) -> tuple[dict[str, int], ...]:
        """How many cases of each variant have which verdict."""
        return tuple(
            {v: sum(r.verdicts[n] == v for r in self.rows) for v in VERDICTS}
            for n in range(len(self.names))
        )


def campaign_matrix(ran: Sequence[tuple[Campaign, Sequence[Result]]]) -> CampaignMatrix:
    """The results of one campaign for each variant beside each other."""
    worst: list[dict[str, str]] = []
    for _, results in ran:
        mine: dict[str, str] = {}
        for result in results:
            before = mine.get(result.case, "pass")
            mine[result.case] = min(before, result.verdict, key=_ORDER.index)
        worst.append(mine)
    cases = dict.fromkeys(case for mine in worst for case in mine)
    rows = [CampaignRow(case, tuple(mine.get(case, "") for mine in worst)) for case in cases]
    rows.sort(key=lambda r: _ORDER.index(r.worst))
    names = [c.stage.name if c.stage is not None else c.chip.name for c, _ in ran]
    return CampaignMatrix(
        tuple(n if names.count(n) == 1 else c.name for n, (c, _) in zip(names, ran, strict=True)),
        tuple(rows),
    )
