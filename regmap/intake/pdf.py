"""PDF (pdfplumber, an optional extra): tables with and without rules, lines between them, page by page."""

from __future__ import annotations

import re
import time
import zlib
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from ..errors import FileError, Place, Problem
from .found import Block, Cell, Grid
from .loose import Rows

if TYPE_CHECKING:
    from pdfplumber.page import Page

#: what reading a PDF may take as a whole, in seconds and pages; --pages narrows it
SECONDS, PAGES = 60.0, 120


def pages_of(text: str, last: int) -> list[int]:
    """Page numbers of `31-44,50`; all up to `last` where nothing is said. Raises ValueError with the piece at fault."""
    if not text:
        return list(range(1, last + 1))
    found: list[int] = []
    for piece in text.split(","):
        match = re.fullmatch(r"\s*(\d{1,5})(?:\s*-\s*(\d{1,5}))?\s*", piece)
        if not match or not 1 <= int(match[1]) <= int(match[2] or match[1]) <= last:
            raise ValueError(piece)
        found += range(int(match[1]), int(match[2] or match[1]) + 1)
    return found


def pdf_blocks(path: Path, pages: str = "") -> list[Block]:
    """The blocks of these pages. Raises FileError for what is damaged, locked, a picture only, or too much."""

    def refuse(found: str, expected: str) -> FileError:
        return FileError([Problem(Place(str(path)), found, expected)])

    try:
        import pdfplumber
    except ImportError:
        raise refuse("a PDF, and the library that reads it is not installed", 'pip install "gateword[import]", or the tables pasted into a text file') from None  # fmt: skip
    begun = time.monotonic()
    if path.stat().st_size > 100_000_000:
        raise refuse(
            "a PDF of more than 100 MB", "the chapter of the registers as a PDF of its own"
        )
    _bounded(path, refuse)
    try:
        document = pdfplumber.open(path)
    except Exception as error:
        name = f"{error!r} {error.args!r}"
        if "assword" in name or "ncrypt" in name:
            raise refuse("an encrypted PDF", "one that opens without a password") from None
        raise refuse(
            "no sound PDF: it is damaged or cut off", "a PDF that a viewer opens"
        ) from None
    blocks: list[Block] = []
    words = 0
    rows = Rows()
    with document:
        try:
            count = len(document.pages)
            wanted = pages_of(pages, count)
        except ValueError as error:
            raise refuse(
                f"--pages {pages}: {str(error).strip()!r}", f"pages from 1 to {count}, as 3-7,9"
            ) from None
        except Exception:
            raise refuse(
                "no sound PDF: its pages cannot be counted", "a PDF that a viewer opens"
            ) from None
        if len(wanted) > PAGES:
            raise refuse(
                f"{len(wanted)} pages",
                f"at most {PAGES}: name those of the registers, as --pages 31-44",
            )
        for number in wanted:
            if time.monotonic() - begun > SECONDS:
                raise refuse(
                    f"page {number} is reached after {SECONDS:g} s",
                    "fewer pages: name those of the registers, as --pages 31-44",
                )
            page = document.pages[number - 1]
            try:
                found = list(_page(page, number, rows))
            except Exception:
                raise refuse(
                    f"page {number} cannot be read", "a PDF that a viewer opens, or other --pages"
                ) from None
            words += len(page.chars)
            blocks += found
            page.close()
    rows.settle()
    if not words:
        raise refuse(
            "pages without text: they are pictures, as a scanner makes them",
            "a PDF with text; a program for text recognition makes one",
        )
    return blocks


#: bytes that all streams of a PDF may have once they are unpacked
UNPACKED = 150_000_000


def _bounded(path: Path, refuse: Callable[[str, str], FileError]) -> None:
    """Refuse what holds far more than a data sheet, before anything is built from it."""
    expected = "the chapter of the registers as a PDF of its own"
    data = path.read_bytes()
    if data.count(b" 0 obj") > 300_000:
        raise refuse("a PDF of more than 300000 objects", expected)
    left = UNPACKED
    at = data.find(b"stream")
    while at >= 0:
        begin = at + (8 if data[at + 6 : at + 8] == b"\r\n" else 7)
        end = data.find(b"endstream", begin)
        end = len(data) if end < 0 else end
        unpacking = zlib.decompressobj()
        piece = begin
        try:
            while piece < end and not unpacking.eof:
                left -= len(unpacking.decompress(data[piece : min(end, piece + 4096)]))
                piece += 4096
                if left < 0:
                    raise refuse(
                        f"a PDF of more than {UNPACKED // 1_000_000} MB once it is unpacked",
                        expected,
                    )
        except zlib.error:  # not packed so
            pass
        at = data.find(b"stream", end + 9)


def _page(page: Page, number: int, rows: Rows) -> Iterator[Block]:
    """Ruled tables and the lines between, from top to bottom; a line that fits the table above is a row of it."""
    marks = _marks(page)
    if marks:
        page = page.filter(lambda o: (o.get("x0"), o.get("top")) not in marks)
    items: list[tuple[float, Grid | list[dict[str, float]], list[tuple[float, float]], float]] = []
    boxes: list[tuple[float, float, float, float]] = []
    tables = sorted(page.find_tables(), key=lambda t: t.bbox[1])
    for index, table in enumerate(tables, 1):
        cells = [[_cell(c) for c in row] for row in table.extract(x_tolerance=2)]
        if len(cells) < 1 or max(map(len, cells)) < 2:
            continue
        _upright(page, table, cells)
        boxes.append(table.bbox)
        origins = [f"page {number}, table {index}, row {r}" for r in range(1, len(cells) + 1)]
        whole = [row.cells for row in table.rows if all(row.cells)]
        columns = [(c[0], c[2]) for c in whole[0] if c] if whole else []
        _below(page, table, cells, columns)
        items.append((table.bbox[1], Grid(cells, origins), columns, table.bbox[3]))
    for line in page.extract_text_lines(return_chars=True, x_tolerance=2):
        middle, height = (line["x0"] + line["x1"]) / 2, (line["top"] + line["bottom"]) / 2
        inside = any(
            b[0] - 2 <= middle <= b[2] + 2 and b[1] - 1 <= height <= b[3] + 1 for b in boxes
        )
        if not inside:
            items.append((line["top"], line["chars"], [], line["bottom"]))
    rows.page(number, len(tables))
    for _, item, columns, bottom in sorted(items, key=lambda i: i[0]):
        if isinstance(item, Grid):
            yield from rows.table(item, columns, bottom)
        else:
            yield from rows.line(item, bottom)


def _marks(page: Page) -> set[tuple[float, float]]:
    """Where footnote marks stand: small, raised digits and signs straight after a larger character."""
    found: set[tuple[float, float]] = set()
    base = None
    for char in page.chars:
        if (
            base is not None
            and char["size"] < 0.9 * base["size"]
            and re.fullmatch(r"[\d*()†‡a-d,]", char["text"])
            and char["bottom"] < base["bottom"] - 0.5
            and abs(char["top"] - base["top"]) < base["size"]
            and base["x0"] <= char["x0"] < base["x1"] + base["size"]
        ):
            found.add((char["x0"], char["top"]))
            continue
        if char["text"].strip():
            base = char
    return found


def _cell(text: str | None) -> Cell:
    return text if text is None else text.strip()


def _below(
    page: Page, table: object, rows: list[list[Cell]], columns: Sequence[tuple[float, float]]
) -> None:
    """Merged downwards: the first columns of a row that begin with None repeat the ones above.

    A cell that the end of a page cuts has no rule below it, so what is printed there is looked for first.
    """
    for index, row in enumerate(rows[1:], 1):
        box = table.rows[index].bbox  # type: ignore[attr-defined]
        for at, cell in enumerate(row):
            if cell is not None:
                break
            printed = ""
            if columns:
                left, right = columns[at]
                printed = "".join(
                    c["text"]
                    for c in page.chars
                    if left <= c["x0"] < right and box[1] <= (c["top"] + c["bottom"]) / 2 <= box[3]
                ).strip()
            row[at] = printed or (rows[index - 1][at] if at < len(rows[index - 1]) else None)


def _upright(page: Page, table: object, rows: list[list[Cell]]) -> None:
    """Heads that are printed upwards or downwards, read in their own direction."""
    first = table.rows[0]  # type: ignore[attr-defined]
    for index, box in enumerate(first.cells):
        if box is None or index >= len(rows[0]):
            continue
        chars = [c for c in page.crop(box, strict=False).chars if not c["upright"]]
        if chars:
            up = chars[0]["matrix"][1] > 0
            lines: dict[int, list[dict[str, float]]] = {}
            for char in chars:
                lines.setdefault(round(char["x0"] / 4), []).append(char)
            said = [
                "".join(str(c["text"]) for c in sorted(line, key=lambda c: c["top"], reverse=up))
                for _, line in sorted(lines.items(), reverse=not up)
            ]
            rows[0][index] = " ".join(said).strip()
