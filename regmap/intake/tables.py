"""From blocks to what a sheet says: which table tells of registers, fields, values, limits or frames."""

from __future__ import annotations

from .cells import bits_of, options_of, plain, scale_of, without_options
from .columns import bit_columns, cell_of, head_of, heads, joined
from .found import Block, FoundSheet, Grid
from .limits import take_electrical
from .rows import take_bit_rows, take_fields, take_summary
from .sides import take_limits, take_part, take_value_table
from .walk import Walk, take_line


def read_blocks(blocks: list[Block], sheet: FoundSheet) -> None:
    """Take all that the blocks say of registers into `sheet`."""
    walk = Walk(sheet)
    for block in joined(blocks):
        if isinstance(block, Grid):
            for row, origin in zip(block.rows, block.origins, strict=True):
                sheet.said.setdefault(origin, " | ".join(plain(c) for c in row if c is not None))
            _grid(block, walk)
            for register in sheet.registers if block.doubt else ():
                if any(f.origin in block.origins for f in register.fields):
                    sheet.doubt("serious", block.doubt, of=[register.name])
        else:
            take_line(block.text, block.origin, walk)


def _grid(grid: Grid, walk: Walk) -> None:
    for start in range(min(3, len(grid.rows))):
        row = grid.rows[start]
        if bit_columns(row):
            _title_rows(grid, start, walk)
            take_bit_rows(grid, start, walk)
            return
        known = heads(row)
        if len(known) >= 2 or ("bits" in known and len(row) > 1):
            _title_rows(grid, start, walk)
            if start + 1 < len(grid.rows):
                below = heads(grid.rows[start + 1])
                if len(below) >= 2 and {"low", "typ", "high"} & set(below):
                    known = {**below, **known}
                    start += 1
            _by_columns(grid, start, known, walk)
            return
    for row, origin in zip(grid.rows, grid.origins, strict=True):
        take_line(" ".join(plain(c) for c in row if c), origin, walk)


def _title_rows(grid: Grid, start: int, walk: Walk) -> None:
    """Rows above the head are a caption inside the table."""
    for row, origin in zip(grid.rows[:start], grid.origins[:start], strict=True):
        said = " ".join(plain(c) for c in row if c)
        if said:
            take_line(said, origin, walk)


def _by_columns(grid: Grid, start: int, known: dict[str, int], walk: Walk) -> None:
    head = grid.rows[start]
    rows = list(zip(grid.rows[start + 1 :], grid.origins[start + 1 :], strict=True))
    notes = {kind: head_of(head[index])[1] for kind, index in known.items()}
    if "bits" not in known and {"low", "typ", "high"} & set(known) and "code" not in known:
        take_limits(rows, known, walk)
        take_electrical(rows, known, walk.sheet)
    elif walk.framing and "bits" in known and "register" not in known:
        for row, origin in rows:
            bits = bits_of(cell_of(row, known, "bits"))
            if bits:
                take_part(
                    cell_of(row, known, "name") or cell_of(row, known, "summary"),
                    bits,
                    origin,
                    walk,
                )
    elif "bits" in known:
        take_fields(rows, known, notes, walk)
    elif "address" in known and ("name" in known or "register" in known):
        take_summary(rows, known, notes, walk)
    elif "code" in known or ("options" in known and "summary" in known):
        if "code" not in known:
            known = {**known, "code": known["options"]}
        take_value_table(head, rows, known, notes, walk)


def settle_meanings(sheet: FoundSheet) -> None:
    """Options and scales out of the descriptions, once every row is in its field."""
    for register in sheet.registers:
        for found in register.fields:
            if found.reserved:
                continue
            text = found.summary
            listed = options_of(text, len(found.bits)) if not found.values else None
            if listed is not None:
                options, doubt = listed
                if doubt:
                    sheet.doubt("open", doubt, of=[register.name, found.name])
                found.options = found.options or options
            if not found.options and found.values is None and (scale := scale_of(text)):
                found.scale = scale
            found.summary = without_options(text) if found.options else " ".join(text.split())
