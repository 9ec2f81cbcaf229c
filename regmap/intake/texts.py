"""CSV, TSV, pasted text, Markdown and HTML as blocks: lines and tables in their order."""

from __future__ import annotations

import csv
import io
import re
from html.parser import HTMLParser

from ..budgets import limit, over
from ..errors import FileError, Place, Problem
from .columns import bit_columns
from .found import Block, Cell, Grid, TextLine


def text_blocks(text: str, name: str, suffix: str) -> list[Block]:
    """The blocks of a text by what it is; `suffix` is the file's own, `.txt` for pasted text."""
    if suffix in (".htm", ".html") or re.match(r"\s*<(!doctype|html|table)", text[:200], re.I):
        return _html(text, name)
    if suffix in (".csv", ".tsv"):
        return _separated(text, name, "\t" if suffix == ".tsv" else "")
    return _pasted(text, name)


def _separated(text: str, name: str, mark: str) -> list[Block]:
    """CSV: blank lines part tables; a line of one cell between them is text."""
    if not mark:
        # the first line with separators is a head, and heads hold none within their cells
        heads = (line for line in text[:8000].splitlines() if any(m in line for m in ",;\t|"))
        head = next(heads, "")
        mark = max(",;\t|", key=head.count)
    blocks: list[Block] = []
    grid = Grid([], [])
    lines = csv.reader(io.StringIO(text), delimiter=mark)
    try:
        for row in lines:
            if len(row) > limit("columns"):
                found, expected = over("columns", len(row))
                raise FileError([Problem(Place(name, lines.line_num, 1), found, expected)])
            filled = [c for c in row if c.strip()]
            if len(filled) < 2 and not (grid.rows and filled and len(row) == len(grid.rows[0]) > 1):
                grid = _close(grid, blocks)
                if filled:
                    blocks.append(TextLine(filled[0].strip(), f"{name} line {lines.line_num}"))
                continue
            grid.rows.append([c.strip() for c in row])
            grid.origins.append(f"{name} line {lines.line_num}")
    except csv.Error as error:
        raise FileError(
            [Problem(Place(name, lines.line_num, 1), str(error), "a table with separators")]
        ) from error
    _close(grid, blocks)
    return blocks


def _close(grid: Grid, blocks: list[Block]) -> Grid:
    """Hand over a table, its rows of one length; what comes next begins another."""
    if grid.rows:
        width = max(len(r) for r in grid.rows)
        for row in grid.rows:
            row.extend([""] * (width - len(row)))
        blocks.append(grid)
    return Grid([], [])


_RULE = re.compile(r"^\s*\|?\s*:?-{2,}:?\s*(\|\s*:?-{2,}:?\s*)*\|?\s*$")


def _pasted(text: str, name: str) -> list[Block]:
    """Markdown tables by their bars, else columns by tabs or by two blanks and more."""
    blocks: list[Block] = []
    grid = Grid([], [])
    starts: list[int] = []
    for number, line in enumerate(text.splitlines(), 1):
        origin = f"{name} line {number}"
        if line.count("|") >= 2 or (grid.rows and "|" in line):
            if _RULE.match(line):
                continue
            cells: list[Cell] = [
                re.sub(r"<br\s*/?>", "\n", c.replace("\\|", "|")).strip(" `*")
                for c in re.split(r"(?<!\\)\|", line.strip().strip("|"))
            ]
            starts = []
        elif "\t" in line.strip():
            cells, starts = [c.strip() for c in line.split("\t")], []
        else:
            pieces = [(m.start(), m[0]) for m in re.finditer(r"\S+(?: \S+)*", line)]
            bits = re.fullmatch(r"\s*(?:\w+\s+)?\d+(?:\s+\d+){3,}\s*", line)
            counted = grid.rows and starts and bit_columns(grid.rows[0])
            if bits or (counted and len(line.split()) == len(starts)):
                pieces = [(m.start(), m[0]) for m in re.finditer(r"\S+", line)]
            if not pieces:
                grid, starts = _close(grid, blocks), []
                continue
            if len(pieces) < 2 and not (starts and pieces[0][0] > 0):
                grid, starts = _close(grid, blocks), []
                blocks.append(TextLine(line.strip(" #*"), origin))
                continue
            if not starts:
                grid = _close(grid, blocks) if grid.rows else grid
                starts = [p[0] for p in pieces]
                cells = [p[1] for p in pieces]
            elif len(grid.rows[0]) == sum(1 for _ in re.finditer(r"\S+", line)) == len(pieces):
                cells = [p[1] for p in pieces]
            else:
                cells = [""] * len(starts)
                for at, piece in pieces:
                    column = _nearest(at, at + len(piece), starts)
                    cells[column] = f"{cells[column]} {piece}".strip()
                if not cells[0] and grid.rows:  # what does not fit its line goes on in the next
                    for column, cell in enumerate(cells):
                        if cell:
                            grid.rows[-1][column] = f"{grid.rows[-1][column] or ''}\n{cell}".strip()
                    continue
        grid.rows.append(cells)
        grid.origins.append(origin)
    _close(grid, blocks)
    return blocks


def _nearest(start: int, end: int, starts: list[int]) -> int:
    """The column under whose head a piece stands: where it begins, or what it covers."""
    covered = [i for i, s in enumerate(starts) if start <= s < end]
    if covered:
        return covered[0]
    before = [i for i, s in enumerate(starts) if s <= start]
    return before[-1] if before else 0


class _Tables(HTMLParser):
    """Tables with their merged cells, and the text between them. Constructs nothing, loads nothing."""

    def __init__(self, name: str) -> None:
        super().__init__(convert_charrefs=True)
        self.name = name
        self.blocks: list[Block] = []
        self.tables = 0
        self.cells: list[tuple[str, int, int]] | None = None
        self.rows: list[list[tuple[str, int, int]]] = []
        self.text: list[str] = []
        self.span = (1, 1)
        self.inside = self.hidden = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("script", "style"):
            self.hidden += 1
        elif tag == "table":
            self._flush()
            self.inside, self.rows, self.cells = 1, [], None
            self.tables += 1
        elif tag == "tr":
            self._end_cell()
            if self.cells is not None:
                self.rows.append(self.cells)
            self.cells = []
        elif tag in ("td", "th"):
            self._end_cell()
            known = dict(attrs)
            self.span = tuple(  # type: ignore[assignment]
                max(1, min(64, int(v))) if (v := known.get(k) or "1").isdigit() else 1
                for k in ("colspan", "rowspan")
            )
            self.text = []
            self.inside = 2
        elif tag == "br":
            self.text.append("\n")
        elif tag == "sup":
            self.hidden += 1
        elif tag in ("p", "h1", "h2", "h3", "h4", "h5", "caption", "div", "li") and self.inside < 2:
            self._flush()

    def handle_endtag(self, tag: str) -> None:
        if tag in ("script", "style", "sup"):
            self.hidden = max(0, self.hidden - 1)
        elif tag in ("td", "th"):
            self._end_cell()
        elif tag == "table":
            self._end_cell()
            if self.cells is not None:
                self.rows.append(self.cells)
            self._table()
            self.inside, self.cells = 0, None
        elif tag in ("p", "h1", "h2", "h3", "h4", "h5", "caption", "div", "li") and self.inside < 2:
            self._flush()

    def handle_data(self, data: str) -> None:
        if not self.hidden:
            self.text.append(data)

    def _end_cell(self) -> None:
        if self.inside == 2 and self.cells is not None:
            said = "\n".join(" ".join(t.split()) for t in "".join(self.text).split("\n"))
            self.cells.append((said.strip(), *self.span))
            self.text = []
            self.inside = 1

    def _flush(self) -> None:
        said = " ".join("".join(self.text).split())
        if said and self.inside < 2:
            self.blocks.append(TextLine(said, f"{self.name} after table {self.tables}"))
        self.text = []

    def _table(self) -> None:
        grid = Grid([], [])
        down: dict[int, tuple[int, Cell]] = {}
        for number, cells in enumerate(self.rows, 1):
            row: list[Cell] = []

            kept: dict[int, tuple[int, Cell]] = {}
            for text, across, deep in cells:
                _from_above(row, down, kept)
                for index in range(across):
                    cell: Cell = text if index == 0 else None
                    if deep > 1:
                        kept[len(row)] = (deep - 1, cell)
                    row.append(cell)
            _from_above(row, down, kept)
            down = {**down, **kept}
            grid.rows.append(row)
            grid.origins.append(f"{self.name} table {self.tables} row {number}")
        _close(grid, self.blocks)


def _from_above(
    row: list[Cell], down: dict[int, tuple[int, Cell]], kept: dict[int, tuple[int, Cell]]
) -> None:
    """Cells of the rows above that reach down into this one."""
    while len(row) in down:
        left, text = down.pop(len(row))
        if left > 1:
            kept[len(row)] = (left - 1, text)
        row.append(text)


def _html(text: str, name: str) -> list[Block]:
    parser = _Tables(name)
    parser.feed(text)
    parser.close()
    parser._flush()
    return parser.blocks
