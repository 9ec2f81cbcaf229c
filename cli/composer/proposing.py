"""Propose from inside: what the search over all settings finds, to take or leave."""

from __future__ import annotations

from regmap.draft import Draft
from regmap.errors import CallError

from .vocabulary import Sheet


def propose_sheet(draft: Draft, width: int) -> tuple[Sheet, dict[str, str | None]]:
    """The proposal as a sheet, and the changes it consists of. Raises CallError where there is none."""
    raise CallError("propose: not there yet")
