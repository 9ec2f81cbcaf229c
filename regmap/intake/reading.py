"""The one way in: sources by their kind, merged into one sheet with its doubts."""

from __future__ import annotations

import re
from collections.abc import Sequence
from pathlib import Path

from ..budgets import limit, over
from ..document.source import decode_text
from ..errors import FileError, Place, Problem
from ..files import reason
from .found import Block, FoundField, FoundSheet
from .ieee1685 import read_component
from .judged import find_doubts, propose_roles
from .pdf import pdf_blocks
from .systemrdl import read_rdl
from .tables import read_blocks, settle_meanings
from .texts import text_blocks
from .workbook import workbook_blocks


def read_sources(names: Sequence[str], pages: str = "") -> FoundSheet:
    """All sources as one sheet, in their order; `pages` (`31-44,50`) is of PDF sources.

    Raises FileError where one cannot be read, or where no register was found in any.
    """
    sheet = FoundSheet()
    for name in names:
        sheet.sources.append(Path(name).name)
        _source(name, pages, sheet)
    settle_meanings(sheet)
    join_pieces(sheet)
    propose_roles(sheet)
    find_doubts(sheet)
    if not sheet.registers:
        raise FileError([
            Problem(Place(names[0]), "no table of registers or fields was found", "columns such as bits, name, access, reset, description; --pages narrows a PDF")
        ])  # fmt: skip
    return sheet


def join_pieces(sheet: FoundSheet) -> None:
    """Fields that standards can hold in pieces only (NAME__1of2, the most significant first) as one again."""
    for register in sheet.registers:
        found: dict[str, list[FoundField]] = {}
        for field in register.fields:
            match = re.fullmatch(r"(\w+?)__(\d+)of(\d+)", field.name)
            if match:
                found.setdefault(match[1], []).append(field)
        for name, parts in found.items():
            parts.sort(key=lambda f: int(f.name.rpartition("__")[2].partition("of")[0]))
            first = parts[0]
            reset: int | None = 0
            for part in parts:
                reset = (
                    None
                    if reset is None or part.reset is None
                    else reset << len(part.bits) | part.reset
                )
            first.bits = tuple(b for part in parts for b in part.bits)
            first.name, first.reset = name, reset
            register.fields = [f for f in register.fields if f is first or f not in parts]


def _source(name: str, pages: str, sheet: FoundSheet) -> None:
    """One source into the sheet, by its kind."""
    suffix = Path(name).suffix.lower()
    if suffix not in (".xml", ".rdl"):
        read_blocks(_blocks(name, pages), sheet)
        return
    data = _data(Path(name))
    if suffix == ".xml":
        read_component(data, name, sheet)
    else:
        read_rdl(decode_text(name, data), name, sheet)


def _data(path: Path) -> bytes:
    """The bytes of a file within its budget."""
    try:
        size = path.stat().st_size
        if size > limit("bytes"):
            found, expected = over("bytes", size)
            raise FileError([Problem(Place(str(path)), found, expected)])
        return path.read_bytes()
    except OSError as error:
        raise FileError(
            [Problem(Place(str(path)), reason(path, error), "a data sheet or a table")]
        ) from error


def _blocks(name: str, pages: str) -> list[Block]:
    path = Path(name)
    suffix = path.suffix.lower()
    try:
        if suffix == ".pdf":
            return pdf_blocks(path, pages)
        if suffix in (".xlsx", ".xlsm"):
            return workbook_blocks(path)
    except OSError as error:
        raise FileError(
            [Problem(Place(name), reason(path, error), "a data sheet or a table")]
        ) from error
    data = _data(path)
    if data[:5] == b"%PDF-":
        return pdf_blocks(path, pages)
    return text_blocks(decode_text(name, data), path.name, suffix)
