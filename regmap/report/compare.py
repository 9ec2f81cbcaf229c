"""Two records compared: what changed, and which verdicts moved. Works on the pages themselves, as a reader would.

found = compare_records(before_html, after_html)
found.verdicts      [("deadtime.enough.high", "holds +34 %", "fails -3 %"), ...]
"""

from __future__ import annotations

from collections.abc import Mapping
from html.parser import HTMLParser

from regmap.record import dataclass, field

from ..errors import CallError

#: the tables that a comparison tells of, by their captions, each with the column that names a row
VERDICTS = "All verdicts, worst first"
TRACE = "Requirements, and what answers each"
_KEYS = {VERDICTS: ("check",), TRACE: ("requirement", "setting or check")}
#: columns that tell where something stands
_PLACES = ("set at", "stated at", "written in")
#: facts that repeat others
_REPEATED = ("identity, as in header, check and capture",)


@dataclass(frozen=True, slots=True)
class RowChange:
    """One row of a table that differs, by its columns; empty where the row is on one side only."""

    table: str
    row: str
    before: Mapping[str, str]
    after: Mapping[str, str]

    def cells(self) -> list[tuple[str, str, str]]:
        """(column, before, after) of the cells that differ."""
        return _differing(self.before, self.after) if self.before and self.after else []


@dataclass(frozen=True, slots=True)
class RecordComparison:
    """What differs: facts (digests, counts), verdicts that moved (check, before, after), rows of the other tables."""

    facts: tuple[tuple[str, str, str], ...]
    verdicts: tuple[tuple[str, str, str], ...]
    rows: tuple[RowChange, ...]

    @property
    def same(self) -> bool:
        return not (self.facts or self.verdicts or self.rows)


def is_record(text: str) -> bool:
    """Whether a text is a page that `review` wrote."""
    return text.startswith("<!DOCTYPE html>") and "REVIEW RECORD OF A POWER STAGE" in text[:40_000]


def compare_records(before: str, after: str) -> RecordComparison:
    """Raises CallError where one of them is no record."""
    for text in (before, after):
        if not is_record(text):
            raise CallError("not a record of `gateword report`")
    old, new = _read(before), _read(after)
    facts = tuple(
        (name, old.facts.get(name, ""), new.facts.get(name, ""))
        for name in {**old.facts, **new.facts}
        if old.facts.get(name) != new.facts.get(name) and name not in _REPEATED
    )
    verdicts: list[tuple[str, str, str]] = []
    rows: list[RowChange] = []
    for caption in {**old.tables, **new.tables}:
        a, b = old.tables.get(caption, _Table()), new.tables.get(caption, _Table())
        left, right = a.keyed(caption), b.keyed(caption)
        for name in {**left, **right}:
            was, now = left.get(name, {}), right.get(name, {})
            if bool(was) == bool(now) and not _differing(was, now):
                continue
            if caption == VERDICTS:
                verdicts.append((name, _verdict(was), _verdict(now)))
            else:
                rows.append(RowChange(caption, name, was, now))
    return RecordComparison(facts, tuple(verdicts), tuple(rows))


def _differing(before: Mapping[str, str], after: Mapping[str, str]) -> list[tuple[str, str, str]]:
    """Cells of columns that both have; where a line stands in a file is no change."""
    return [
        (column, before[column], after[column])
        for column in before
        if column in after and column not in _PLACES and before[column] != after[column]
    ]


def _verdict(row: Mapping[str, str]) -> str:
    if not row:
        return "not there"
    return " ".join(f"{row.get('verdict', '')} {row.get('margin', '')}".split())


@dataclass
class _Table:
    head: list[str] = field(default_factory=list)
    rows: list[list[str]] = field(default_factory=list)

    def keyed(self, caption: str) -> dict[str, dict[str, str]]:
        """Rows by their name, each as cells by column; a name that stands twice is numbered."""
        columns = [self.head.index(k) for k in _KEYS.get(caption, ()) if k in self.head] or [0]
        found: dict[str, dict[str, str]] = {}
        for row in self.rows:
            name = own = " ".join(row[c] for c in columns if c < len(row))
            number = 1
            while name in found:
                number += 1
                name = f"{own} ({number})"
            found[name] = dict(zip(self.head, row, strict=False))
        return found


class _Page(HTMLParser):
    """The facts and the tables of a record, as text."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.tables: dict[str, _Table] = {}
        self.facts: dict[str, str] = {}
        self._table: _Table | None = None
        self._caption = self._fact = ""
        self._text: list[str] = []
        self._section = ""
        self._depth = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "section":
            self._section = dict(attrs).get("id") or ""
        elif tag == "details":
            self._depth += 1
        elif tag == "table":
            self._table, self._caption = _Table(), ""
        elif tag == "tr" and self._table is not None:
            self._table.rows.append([])
        if tag in ("td", "th", "caption", "dt", "dd"):
            self._text = []

    def handle_data(self, data: str) -> None:
        self._text.append(data)

    def handle_endtag(self, tag: str) -> None:
        text = " ".join("".join(self._text).split())
        if tag == "details":
            self._depth -= 1
        elif tag == "dt":
            self._fact = text
        elif tag == "dd" and not self._depth and self._section in ("subject", "capture"):
            self.facts[self._fact] = text
        elif tag == "caption":
            self._caption = text
        elif tag == "th" and self._table is not None:
            self._table.head.append(text)
        elif tag == "td" and self._table is not None and self._table.rows:
            self._table.rows[-1].append(text)
        elif tag == "table" and self._table is not None:
            self._table.rows = [r for r in self._table.rows if r]
            if self._caption and self._caption != "Sign-off" and not self._depth:
                self.tables[self._caption] = self._table
            self._table = None


def _read(text: str) -> _Page:
    page = _Page()
    page.feed(text)
    page.close()
    return page
