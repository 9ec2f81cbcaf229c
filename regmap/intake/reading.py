"""The one way in: sources by their kind, merged into one sheet with its doubts."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from ..budgets import limit, over
from ..document.source import decode_text
from ..errors import FileError, Place, Problem
from ..files import reason
from .found import Block, FoundSheet
from .judged import find_doubts, propose_roles
from .pdf import pdf_blocks
from .tables import read_blocks, settle_meanings
from .texts import text_blocks
from .workbook import workbook_blocks

TEXTS = (".csv", ".tsv", ".txt", ".md", ".markdown", ".htm", ".html")


def read_sources(names: Sequence[str], pages: str = "") -> FoundSheet:
    """All sources as one sheet, in their order; `pages` (`31-44,50`) is of PDF sources.

    Raises FileError where one cannot be read, or where no register was found in any.
    """
    sheet = FoundSheet()
    for name in names:
        sheet.sources.append(Path(name).name)
        read_blocks(_blocks(name, pages), sheet)
    settle_meanings(sheet)
    propose_roles(sheet)
    find_doubts(sheet)
    if not sheet.registers:
        raise FileError([
            Problem(Place(names[0]), "no table of registers or fields was found", "columns such as bits, name, access, reset, description; --pages narrows a PDF")
        ])  # fmt: skip
    return sheet


def _blocks(name: str, pages: str) -> list[Block]:
    path = Path(name)
    suffix = path.suffix.lower()
    try:
        size = path.stat().st_size
        if suffix == ".pdf":
            return pdf_blocks(path, pages)
        if size > limit("bytes"):
            found, expected = over("bytes", size)
            raise FileError([Problem(Place(name), found, expected)])
        if suffix in (".xlsx", ".xlsm"):
            return workbook_blocks(path)
        data = path.read_bytes()
    except OSError as error:
        raise FileError(
            [Problem(Place(name), reason(path, error), "a data sheet or a table")]
        ) from error
    if data[:5] == b"%PDF-":
        return pdf_blocks(path, pages)
    return text_blocks(decode_text(name, data), path.name, suffix)
