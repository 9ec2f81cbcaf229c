"""Lines of a page that no rules surround: rows of a table by the columns of its head, or text."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from itertools import pairwise

from regmap.record import dataclass

from .cells import bits_of, number_of
from .columns import bit_columns, head_of, passing
from .found import Block, Cell, Grid, TextLine

Word = tuple[float, float, float, str]  # left, right, top, text


def words_of(chars: list[dict[str, float]], edges: Sequence[float] = ()) -> list[Word]:
    """Pieces of a line that wide gaps or ruled edges part, in points from the left and the top of the page."""
    if not chars:
        return []
    size = max(c["size"] for c in chars)
    found: list[Word] = []
    for char in chars:
        text = str(char["text"])
        parted = any(found[-1][0] < e - 2 <= char["x0"] for e in edges) if found else False
        if found and not parted and char["x0"] - found[-1][1] < 0.9 * size:
            left, right, top, said = found[-1]
            if text == " ":
                found[-1] = (left, right, top, said + ("" if said.endswith(" ") else " "))
            else:
                gap = " " if char["x0"] - right > 0.2 * size and not said.endswith(" ") else ""
                found[-1] = (left, char["x1"], top, said + gap + text)
        elif text.strip():
            found.append((char["x0"], char["x1"], char["top"], text))
    return [(x0, x1, top, t.strip()) for x0, x1, top, t in found]


_OPTION = re.compile(r"(?:0x[0-9A-Fa-f]+|0b[01]+|[01]+b|\d{1,4})\s*(?:=|:|->|\u2192)\s*\S")
_MIXED = (
    "rows of a table without rules could be parted in two ways: hold every field against the sheet"
)


@dataclass(slots=True)
class _Run:
    """Lines of one page that went into a table: (bottom, cells, whether the key is filled) each."""

    grid: Grid
    begin: int
    after_head: bool
    lines: list[tuple[float, list[Cell], bool]]

    def settle(self) -> None:
        """Cells that stand centred beside their row's texts: part the lines anew, each row even about its key."""
        if not self._centred():
            return
        rows = self._parted()
        if rows is None:
            self.grid.doubt = _MIXED
            return
        origin = self.grid.origins[self.begin].rpartition(" ")[0]
        self.grid.rows[self.begin :] = rows
        self.grid.origins[self.begin :] = [
            f"{origin} {self.begin + n + 1}" for n in range(len(rows))
        ]

    def _centred(self) -> bool:
        if not any(key for *_, key in self.lines):
            return False
        if self.after_head and not self.lines[0][2]:
            return True
        width = len(self.lines[0][1])
        filled = [sum(bool(c[at]) for _, c, key in self.lines if not key) for at in range(width)]
        at = max(range(width), key=lambda i: filled[i])
        for index, (_, cells, key) in enumerate(self.lines):
            around = self.lines[index - 1 : index] + self.lines[index + 1 : index + 2]
            beside = [not k for _, _, k in around]
            if key and (
                (not cells[at] and len(beside) == 2 and all(beside))
                or _OPTION.match(cells[at] or "")
            ):
                return True
        return False

    def _parted(self) -> list[list[Cell]] | None:
        """The rows, or None where the lines are not even about their keys."""
        bottoms = [line[0] for line in self.lines]
        gaps = [b - a for a, b in pairwise(bottoms) if b - a > 1]
        slack = 0.35 * min(gaps, default=1.0)
        rows: list[list[Cell]] = []
        at = 0
        while at < len(self.lines):
            key = next((i for i in range(at, len(self.lines)) if self.lines[i][2]), None)
            if key is None:
                return None
            reach = bottoms[key] - bottoms[at]
            end = key
            while end + 1 < len(self.lines) and not self.lines[end + 1][2] and bottoms[end + 1] <= bottoms[key] + reach + slack:  # fmt: skip
                end += 1
            if abs(bottoms[end] - bottoms[key] - reach) > slack:
                return None
            block = [cells for _, cells, _ in self.lines[at : end + 1]]
            rows.append(["\n".join(c for c in column if c) for column in zip(*block, strict=True)])
            at = end + 1
        return rows


class Rows:
    """The table that lines may go on with, over the ends of pages too.

    Tables are handed over at their first line and grow afterwards.
    """

    def __init__(self) -> None:
        self.grid: Grid | None = None
        self.columns: Sequence[tuple[float, float]] = ()
        self.edges: Sequence[float] = ()
        self.key, self.kind = 0, ""
        self.number = self.tables = 0
        self.last: float | None = None
        self.pitch = 0.0
        self._run: _Run | None = None

    def settle(self) -> None:
        """What was taken so far is a whole: a page or a table ends."""
        if self._run is not None:
            self._run.settle()
        self._run = None

    def page(self, number: int, tables: int) -> None:
        """A new page begins; it has so many ruled tables."""
        self.settle()
        self.number, self.tables = number, tables
        self.last = None

    def table(
        self, grid: Grid, columns: list[tuple[float, float]], bottom: float
    ) -> Iterator[Block]:
        """A ruled table: lines below it may be rows of it."""
        self.settle()
        head = grid.rows[0]
        known = [head_of(c)[0] for c in head]
        before = self.grid
        self.columns, self.last, self.pitch = columns, bottom, 0.0
        self.edges = [c[0] for c in columns]
        if sum(map(bool, known)) >= 2 and columns:
            self.grid = grid
            self._find_key(known)
        elif (
            before is not None
            and len(before.rows[0]) == len(head)
            and columns
            and not bit_columns(head)
        ):
            before.rows += grid.rows
            before.origins += grid.origins
            return
        else:
            self.grid = None
        yield grid

    def _find_key(self, known: list[str]) -> None:
        """The column that each row fills: the bits, else the code, else the first."""
        self.kind = next((k for k in ("bits", "code", "address") if k in known), "")
        self.key = known.index(self.kind) if self.kind else 0

    def line(self, chars: list[dict[str, float]], bottom: float) -> Iterator[Block]:
        """A line between tables: a head, a row, what goes on with a row, or text."""
        words = words_of(chars)
        if not words:
            return
        row: list[Cell] = [w[3] for w in words]
        known = [head_of(c)[0] for c in row]
        heads = sum(map(bool, known))
        if (
            (len(row) >= 3 and heads >= 3 and heads * 4 >= len(row) * 3)
            or heads == len(row) == 2
            or bit_columns(row)
        ):
            self.settle()
            self.tables += 1
            self.columns, self.edges = [(w[0], w[1]) for w in words], ()
            self.grid = Grid([row], [f"page {self.number}, table {self.tables}, row 1"])
            self._find_key(known)
            self.last, self.pitch = bottom, 0.0
            yield self.grid
            return
        if self.grid is not None and self._takes(words_of(chars, self.edges), bottom):
            return
        text = " ".join(w[3] for w in words)
        if not passing(text):
            self.settle()
            self.grid = None
        yield TextLine(text, f"page {self.number}")

    def _takes(self, words: list[Word], bottom: float) -> bool:
        """Whether a line is a row of the table, or goes on with its last row; it is taken in then."""
        assert self.grid is not None
        gap = bottom - self.last if self.last is not None else 0.0
        if (self.pitch and gap > 3.2 * self.pitch) or gap > 60:
            return False
        if words[0][0] < self.columns[0][0] - 3 or (len(words) == 1 and self._runs_over(words[0])):
            return False
        cells: list[Cell] = [""] * len(self.columns)
        for left, right, _, said in words:
            at = self._column(left, right)
            cells[at] = f"{cells[at]} {said}".strip()
        key = cells[self.key] or ""
        numbered = bits_of(key) is not None or number_of(key) is not None
        if key and not numbered and (self.kind or len(words) < 3):
            return False
        if self._run is None:
            size = len(self.grid.rows)
            begin = size if key or size == 1 else size - 1
            self._run = _Run(self.grid, begin, size == 1, [])
            if begin < size:  # the rest of a row that an earlier page began
                self._run.lines.append((bottom - 1e-3, list(self.grid.rows[begin]), True))
        self._run.lines.append((bottom, list(cells), bool(key)))
        if key:
            self.grid.rows.append(cells)
            self.grid.origins.append(
                f"page {self.number}, table {self.tables}, row {len(self.grid.rows)}"
            )
        elif len(self.grid.rows) == 1:  # the head stands again above the rest of a row
            self.grid.rows.append(cells)
            self.grid.origins.append(f"page {self.number}, table {self.tables}, row 2")
        else:
            for at, cell in enumerate(cells):
                if cell:
                    self.grid.rows[-1][at] = f"{self.grid.rows[-1][at] or ''}\n{cell}".strip()
        if self.last is not None and gap > 0:
            self.pitch = min(self.pitch, gap) if self.pitch else gap
        self.last = bottom
        return True

    def _runs_over(self, word: Word) -> bool:
        """A single piece that begins in the first column and runs into the second is no row."""
        columns = self.columns
        return len(columns) > 1 and word[0] <= columns[0][1] and word[1] > columns[1][0] + 3

    def _column(self, left: float, right: float) -> int:
        """The column that a piece shares most with, else the nearest."""
        columns = self.columns
        shared = [min(right, c[1]) - max(left, c[0]) for c in columns]
        best = max(range(len(columns)), key=lambda i: shared[i])
        if shared[best] > 0:
            return best
        return min(
            range(len(columns)),
            key=lambda i: min(abs(left - columns[i][0]), abs(right - columns[i][1])),
        )
