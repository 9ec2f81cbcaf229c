"""The doubts of a map one by one, worst first: each with its entry and what the sheet says there."""

from __future__ import annotations

import re

from regmap.record import dataclass

from ..document.doubts import StatedDoubt, stated_doubts
from .found import FoundSheet


@dataclass(frozen=True, slots=True)
class Shown:
    """A doubt with its entry's line in the map and the row of the sheet that the entry came from."""

    doubt: StatedDoubt
    entry: str
    sheet: str


class Settling:
    """A map's text and the doubts that are left to walk through."""

    def __init__(self, text: str, sheet: FoundSheet) -> None:
        self.lines = text.splitlines()
        self.sheet = sheet
        self._passed: set[str] = set()

    @property
    def text(self) -> str:
        """The map as it stands."""
        return "\n".join(self.lines) + "\n"

    def next(self) -> Shown | None:
        """The worst doubt that was not passed over, or None."""
        for doubt in stated_doubts(self.text):
            if self._identity(doubt) not in self._passed:
                at = self._entry(doubt)
                entry = self.lines[at] if at is not None else ""
                origin = entry.rpartition("  # ")[2] if "  # " in entry else ""
                return Shown(doubt, entry.strip(), self.sheet.said.get(origin, ""))
        return None

    def _identity(self, doubt: StatedDoubt) -> str:
        at = self._entry(doubt)
        return f"{doubt.text}|{self.lines[at] if at is not None else ''}"

    def _entry(self, doubt: StatedDoubt) -> int | None:
        """The index of the first line below that is no comment."""
        for index in range(doubt.line, len(self.lines)):
            if self.lines[index].strip() and not self.lines[index].lstrip().startswith("#"):
                return index
        return None

    def leave(self, doubt: StatedDoubt) -> None:
        """The doubt stays in the map and is not shown again in this walk."""
        self._passed.add(self._identity(doubt))

    def settle(self, doubt: StatedDoubt) -> None:
        """The entry is right as it stands: the doubt's line goes."""
        del self.lines[doubt.line - 1]

    def correct(self, doubt: StatedDoubt, entry: str) -> None:
        """The entry's line becomes this text, its indent and origin kept; the doubt's line goes."""
        at = self._entry(doubt)
        if at is not None:
            before = self.lines[at]
            indent = re.match(r" *", before)
            origin = before.rpartition("  # ")[2] if "  # " in before else ""
            kept = f"{entry.strip()}  # {origin}" if origin else entry.strip()
            self.lines[at] = (indent[0] if indent else "") + kept
        self.settle(doubt)
