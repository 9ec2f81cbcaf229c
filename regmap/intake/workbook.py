"""Spreadsheets (openpyxl, an optional extra): each sheet a table, merged cells kept."""

from __future__ import annotations

import zipfile
from pathlib import Path

from ..budgets import limit, over
from ..errors import FileError, Place, Problem
from .found import Block, Cell, Grid, TextLine


def workbook_blocks(path: Path) -> list[Block]:
    """The blocks of a workbook. Formulas are not computed: the values kept in the file count."""
    try:
        from openpyxl import load_workbook
    except ImportError:
        raise FileError([
            Problem(Place(path.name), "a spreadsheet, and the library that reads it is not installed", 'pip install "gateword[import]", or the sheet saved as CSV')
        ]) from None  # fmt: skip
    try:
        with zipfile.ZipFile(path) as packed:
            size = sum(i.file_size for i in packed.infolist())
            if size > 20 * limit("bytes"):
                found, expected = over("bytes", size)
                raise FileError([Problem(Place(path.name), f"{found}, unpacked", expected)])
        book = load_workbook(path, data_only=True)
    except (zipfile.BadZipFile, KeyError, ValueError, SyntaxError) as error:
        raise FileError(
            [Problem(Place(path.name), f"no sound workbook: {error}", "an .xlsx file")]
        ) from error
    blocks: list[Block] = []
    for page in book.worksheets:
        hidden = {
            (row, column)
            for area in page.merged_cells.ranges
            for row in range(area.min_row, area.max_row + 1)
            for column in range(area.min_col + 1, area.max_col + 1)
        }
        blocks.append(TextLine(page.title, f"sheet {page.title}"))
        grid = Grid([], [])
        for number, row in enumerate(page.iter_rows(max_row=5000, max_col=200), 1):
            cells: list[Cell] = [
                None if (number, c) in hidden else _said(cell.value)
                for c, cell in enumerate(row, 1)
            ]
            filled = [c for c in cells if c]
            if len(filled) < 2:
                if grid.rows:
                    blocks.append(grid)
                grid = Grid([], [])
                if filled:
                    blocks.append(TextLine(filled[0], f"sheet {page.title} row {number}"))
                continue
            grid.rows.append(cells)
            grid.origins.append(f"sheet {page.title} row {number}")
        if grid.rows:
            blocks.append(grid)
    return blocks


def _said(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float) and value.is_integer():
        return str(int(value))
    return str(value).strip()
