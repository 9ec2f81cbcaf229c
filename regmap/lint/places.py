"""Where something stands that a parser told of: its line, its name in it, and the value behind that."""

from __future__ import annotations

import re
from typing import Any

from regmap.record import dataclass, field

from .defines import Define, without_comments
from .units import CodeLine, HeaderUnit

#: what stands between the name of a constant and its value
_GIVEN = re.compile(r"\s*(?:\[[^]]*\]\s*)*=\s*")
_DEFINED = re.compile(rf"{_GIVEN.pattern}|\s*\{{")


def _written(text: str, start: int) -> str:
    """The value that is written from `start` on, as far as it stands in this line."""
    depth = 0
    for at in range(start, len(text)):
        char = text[at]
        if char == "(":
            depth += 1
        elif char == ")":
            depth -= 1
        if (depth == 0 and char in ",;}") or text.startswith(("/*", "//"), at):
            return text[start:at].rstrip()
    return text[start:].rstrip()


@dataclass(slots=True)
class _Stands:
    """Where a word stands first in a line, where it is given a value, and how many of those were told."""

    first: int
    defined: list[int] = field(default_factory=list)
    told: int = 0


def _words_of(line: str) -> dict[str, _Stands]:
    """The words of a line that begins outside a comment; a member also by its name with the dot."""
    code = without_comments(line)
    found: dict[str, _Stands] = {}
    for match in re.finditer(r"\.?\w+", code):
        is_defined = _DEFINED.match(code, match.end()) is not None
        for name in {match[0], match[0].lstrip(".")}:
            at = match.end() - len(name)
            stands = found.setdefault(name, _Stands(at))
            if is_defined:
                stands.defined.append(at)
    return found


class HeaderPlaces:
    """HeaderPlaces in the files of a header; `offset` is by how many lines the parser's lines are too small."""

    def __init__(self, unit: HeaderUnit) -> None:
        self.unit = unit
        self.offset = 0
        self.sources: dict[str, list[str]] = {}
        #: where the words of a line stand
        self.words: dict[tuple[str, int], dict[str, _Stands]] = {}

    def define(self, name: str, coord: Any, value: int | None, body: str, why: str = "") -> Define:
        at_line = (coord.line if coord is not None else 2) + self.offset
        lines = self.unit.lines
        stood = lines[min(max(at_line, 1), len(lines)) - 1] if lines else CodeLine("", 1, "")
        line, text = stood.line, self._source(stood)
        at = self._stands(stood, text, name)
        column = at + 1 if at >= 0 else 1
        given = _GIVEN.match(text, at + len(name)) if at >= 0 else None
        value_column = given.end() + 1 if given else column
        if given and not body:
            body = _written(text, given.end())
        return Define(
            name=name,
            body=body,
            value=value,
            comment=self.unit.comments.get((stood.file, line), ""),
            line=line,
            file=stood.file,
            column=column,
            value_column=min(value_column, max(len(text), 1)),
            text=text,
            why=why,
        )

    def _stands(self, stood: CodeLine, text: str, name: str) -> int:
        """Where a name stands in its line: of several definitions there, as in two namespaces, one after the other."""
        words = self.words.get((stood.file, stood.line))
        if words is None:
            words = self.words[stood.file, stood.line] = _words_of(text)
        found = words.get(name)
        if found is None:
            return text.find(name)
        if not found.defined:
            return found.first
        found.told += 1
        return found.defined[min(found.told, len(found.defined)) - 1]

    def _source(self, stood: CodeLine) -> str:
        rows = self.sources.get(stood.file)
        if rows is None:
            rows = self.sources[stood.file] = self.unit.texts.get(stood.file, "").split("\n")
        return rows[stood.line - 1].rstrip("\r") if 0 < stood.line <= len(rows) else ""
