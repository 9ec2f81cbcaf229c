"""A map as a table with one row for each field: CSV and Markdown, which `new map --from` reads again."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator

from ..chip.bits import spans
from ..chip.model import Chip
from .plain import option_texts

HEAD = ("Register", "Page", "Address", "Bits", "Field", "Access", "Reset", "Description", "Options")


def _rows(chip: Chip) -> Iterator[tuple[str, ...]]:
    for register in chip.registers.values():
        page = "" if register.page is None else str(register.page)
        for field in register.fields:
            options = "; ".join(f"0x{c:X} = {t}" for c, t in option_texts(chip, field).items())
            yield (
                register.name, page, f"0x{register.address:X}", spans(field.bits), field.name,
                str(field.access), f"0x{field.reset:X}", field.summary, options,
            )  # fmt: skip


def csv_text(chip: Chip) -> str:
    """The map as CSV (RFC 4180), the first row the heads."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\r\n")
    rows.writerow(HEAD)
    rows.writerows(_rows(chip))
    return out.getvalue()


def markdown_text(chip: Chip) -> str:
    """The map as one Markdown table."""
    rows = [HEAD, tuple("---" for _ in HEAD), *_rows(chip)]
    lines = ["| " + " | ".join(c.replace("|", "\\|") for c in row) + " |" for row in rows]
    return f"# {chip.name}: {chip.title}\n\n" + "\n".join(lines) + "\n"
