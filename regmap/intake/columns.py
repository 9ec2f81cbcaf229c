"""What the columns of a table hold, told by their heads; and tables that go on over a page."""

from __future__ import annotations

import re
from itertools import pairwise

from .cells import bits_of, plain
from .found import Block, Cell, Grid, TextLine

#: heads in the usual spellings (common practice, no source); the first that fits decides
_HEADS: tuple[tuple[str, str], ...] = (
    ("register", r"register( name)?|reg( name)?|register mnemonic"),
    ("page", r"page|bank"),
    ("address", r"(register )?(address|addr|adr|offset)( offset)?"),
    ("bits", r"(bit|field)?( )?(bits?|pos|position|range|bit ?(no|nr|number|index|position|range|field)s?)|bit\(s\)|#|lsb"),
    ("access", r"access( type)?|type|r ?/ ?w|rw|mode|attr(ibute)?s?|direction|acc|read ?/ ?write"),
    ("reset", r"reset( (value|state|word))?|defaults?( value)?|por( value)?|init(ial)?( value)?|power-?(on|up)( reset| value)?|value after reset|rst"),
    ("summary", r"descriptions?|function|meaning|summary|comments?|notes?|remarks?|purpose|definition"),
    ("options", r"options|settings?|encodings?|values|enumeration|codes and meanings"),
    ("code", r"codes?|value|bit (value|pattern)|binary|hex|n|register value|dec"),
    ("name", r"(bit ?|field ?|bitfield ?)?(name|field|symbol|mnemonic|label)|parameter|part|content|bit-?field"),
    ("low", r"min(imum)?\.?"),
    ("typ", r"typ(ical)?\.?|nom(inal)?\.?"),
    ("high", r"max(imum)?\.?"),
    ("unit", r"units?"),
    ("when", r"conditions?|test conditions?"),
)  # fmt: skip


def head_of(cell: Cell) -> tuple[str, str]:
    """(what a column holds, the unit or radix in brackets after it); ("", "") for what no head says."""
    text = plain(cell or "").lower()
    match = re.fullmatch(r"(.*?)\s*[\[(]([^\])]*)[\])]\s*(.*)", text)
    note = ""
    if match and not re.fullmatch(r"bit ?\(s\)", text):
        text, note = f"{match[1]} {match[3]}".strip(), match[2]
    for kind, pattern in _HEADS:
        if re.fullmatch(pattern, text.strip(" .:")) or re.fullmatch(pattern, text):
            return kind, _unit_case(cell or "", note)
    if text == "" and note:
        return "", ""
    turned = text.replace(" ", "")[::-1]
    if len(turned) > 3:  # a head printed upwards comes letter by letter
        for kind, pattern in _HEADS:
            if re.fullmatch(pattern, turned):
                return kind, note
    return "", ""


def _unit_case(cell: str, note: str) -> str:
    """The note as it is written: `mA` and not `ma`."""
    at = plain(cell).lower().find(note)
    return plain(cell)[at : at + len(note)] if note else ""


def heads(row: list[Cell]) -> dict[str, int]:
    """Column by what it holds, the first of a kind."""
    found: dict[str, int] = {}
    for index, cell in enumerate(row):
        kind = head_of(cell)[0]
        if kind and kind not in found:
            found[kind] = index
    return found


def bit_columns(row: list[Cell]) -> dict[int, int]:
    """Bit number by column where a row counts bits down (or up), as `15 14 13 ... 0`; else empty."""
    found: dict[int, int] = {}
    for index, cell in enumerate(row):
        text = plain(cell or "")
        if re.fullmatch(r"(?:[Bb]it ?|[Bb]|D|d|\[)?\d{1,2}\]?", text):
            bits = bits_of(text)
            if bits:
                found[index] = bits[0]
    numbers = list(found.values())
    steps = {b - a for a, b in pairwise(numbers)}
    return found if len(numbers) >= 4 and steps in ({-1}, {1}) else {}


def is_head(row: list[Cell]) -> bool:
    """Whether a row is the head of a table."""
    known = heads(row)
    return bool(bit_columns(row)) or (
        len(known) >= 2 and len(known) * 2 >= len([c for c in row if c])
    )


def joined(blocks: list[Block]) -> list[Block]:
    """Tables that go on over a page as one: a table without a head, or with the same head, straight after another."""
    found: list[Block] = []
    for block in blocks:
        last = next((b for b in reversed(found) if isinstance(b, Grid)), None)
        if isinstance(block, Grid) and last is not None and block.rows and last.rows:
            between = found[found.index(last) + 1 :]
            quiet = all(isinstance(b, TextLine) and passing(b.text) for b in between)
            same = [plain(c or "") for c in block.rows[0]] == [plain(c or "") for c in last.rows[0]]
            if quiet and len(block.rows[0]) == len(last.rows[0]):
                if same and not bit_columns(block.rows[0]) and any(heads(block.rows[0])):
                    del found[len(found) - len(between) :]
                    last.rows += block.rows[1:]
                    last.origins += block.origins[1:]
                    continue
                if not is_head(block.rows[0]) and is_head(last.rows[0]):
                    del found[len(found) - len(between) :]
                    last.rows += block.rows
                    last.origins += block.origins
                    continue
        found.append(block)
    return found


def passing(text: str) -> bool:
    """What stands between the two halves of a table: a page number, a running title, `continued`."""
    return bool(
        re.search(
            r"continued|cont'd|page \d+|^\d+( of \d+)?$|rev(ision)?\b|data sheet|invented",
            text,
            re.I,
        )
    ) and not re.search(r"0x|address|[\[(]", text, re.I)


def cell_of(row: list[Cell], known: dict[str, int], kind: str) -> str:
    index = known.get(kind)
    if index is None or index >= len(row):
        return ""
    return (row[index] or "").strip()


_RADIX = {"hex": 16, "h": 16, "0x": 16, "hexadecimal": 16, "bin": 2, "binary": 2, "b": 2, "dec": 10, "decimal": 10, "d": 10}  # fmt: skip


def radix_of(note: str) -> int | None:
    return _RADIX.get(note.lower().strip())
