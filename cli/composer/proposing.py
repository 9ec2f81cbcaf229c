"""Propose from inside: what the search over all settings finds, to accept or leave."""

from __future__ import annotations

from collections.abc import Callable

from regmap.assessment.proposal import Progress
from regmap.assessment.propose import propose
from regmap.draft import Draft
from regmap.quantity import many

from ..propose import text
from .sheets import plain_context
from .vocabulary import Row, Sheet

#: Steps after which the search stops with the best so far: one sits and waits here.
BUDGET = 200_000
#: And seconds.
SECONDS = 20.0


def propose_sheet(
    draft: Draft, width: int, say: Callable[[str], None]
) -> tuple[Sheet, dict[str, str | None]]:
    """The proposal as a sheet, and the changes it consists of; `say` is told how far the search is."""

    def progress(at: Progress) -> None:
        say(f"searching, group {at.number} of {at.groups} ({at.fields[0]}): {at.steps} steps")

    say("searching")
    result = propose(draft.stage_now(), budget=BUDGET, seconds=SECONDS, progress=progress)
    changes: dict[str, str | None] = dict(result.changes)
    rows = [
        Row(line) for line in text(result, plain_context(width - 2)) for line in line.splitlines()
    ]
    if changes:
        count = len(changes)
        rows.insert(
            0,
            Row(
                f"`accept` puts {many(count, 'proposed value')} into the draft, as one step that can be undone",
                "accept",
                "mark",
            ),
        )
    what = (
        "settings that meet every goal"
        if result.feasible
        else "no settings meet every goal; the nearest"
    )
    return Sheet(f"proposal: {what}", tuple(rows), "accepts it"), changes
