"""Doubts that stand in a document as comments, where something was taken over and not yet looked at.

    # doubt, serious: bits 5..4 belong to TRIP and to MODE

A whole line that begins so is one doubt about the entry below it; it is settled by deleting the line.
"""

from __future__ import annotations

import re

from regmap.record import dataclass

#: how grave a doubt is, worst first
GRADES = ("serious", "open", "minor")

_LINE = re.compile(r"^\s*# doubt, (serious|open|minor): (\S.*?)\s*$")


@dataclass(frozen=True, slots=True)
class StatedDoubt:
    """One doubt of a text: its 1-based line, its grade and what is in doubt."""

    line: int
    grade: str
    text: str


def stated_doubts(text: str) -> list[StatedDoubt]:
    """Every doubt that stands in a text, worst first and then by line."""
    found = []
    for number, line in enumerate(text.splitlines(), 1):
        match = _LINE.match(line) if "# doubt, " in line else None
        if match:
            found.append(StatedDoubt(number, match[1], match[2]))
    return sorted(found, key=lambda d: (GRADES.index(d.grade), d.line))


def doubt_line(grade: str, text: str) -> str:
    """The comment that states a doubt; `stated_doubts` reads it back."""
    return f"# doubt, {grade}: {' '.join(text.split())}"
