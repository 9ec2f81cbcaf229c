"""Tables of registers and fields: a row for each field or register, or a row of bits with names below."""

from __future__ import annotations

import re

from .cells import access_of, bits_of, name_of, number_of, plain, reserved
from .columns import bit_columns, cell_of, head_of, heads, radix_of
from .found import Cell, FoundField, FoundRegister, Grid
from .sides import take_part
from .walk import ADDRESS, PAIR, Walk, register_of, register_reset, set_address, take_line


def take_fields(
    rows: list[tuple[list[Cell], str]], known: dict[str, int], notes: dict[str, str], walk: Walk
) -> None:
    """One row for each field, with or without its register beside it."""
    sheet = walk.sheet
    last: FoundField | None = None
    for row, origin in rows:
        said = [plain(c) for c in row if c and c.strip()]
        if not said:
            continue
        if (
            len(said) == 1
            and bits_of(said[0]) is None
            and cell_of(row, known, "summary") == ""
            and "register" not in known
        ):
            take_line(said[0], origin, walk)
            last = None
            continue
        named = name_of(cell_of(row, known, "register"))
        if named:
            walk.register = register_of(sheet, named, origin)
        register = walk.register
        bits = bits_of(cell_of(row, known, "bits"))
        if register is None:
            sheet.doubt(
                "serious",
                f"a field at {origin} belongs to no register that was named: {' | '.join(said)[:80]}",
                origin=origin,
            )
            continue
        if "address" in known and cell_of(row, known, "address"):
            set_address(
                sheet, register, cell_of(row, known, "address"), origin, radix_of(notes["address"])
            )
        if "page" in known and (page := number_of(cell_of(row, known, "page"))):
            register.page = page[0]
        if bits is None:
            text = cell_of(row, known, "summary") or cell_of(row, known, "options")
            if last is not None and text and not cell_of(row, known, "bits"):
                last.summary = f"{last.summary}\n{text}".strip()
                if (
                    "name" in known
                    and re.fullmatch(r"\w*", name := plain(cell_of(row, known, "name")))
                    and name
                ):
                    sheet.doubt(
                        "open",
                        f"the row at {origin} has a name ({name}) and no bits",
                        of=[register.name, last.name],
                    )
            elif not text and named:
                continue
            else:
                sheet.doubt(
                    "serious",
                    f"the row at {origin} has no bits that can be read: {' | '.join(said)[:80]}",
                    of=[register.name],
                )
            continue
        written = cell_of(row, known, "name")
        text = cell_of(row, known, "summary")
        options = cell_of(row, known, "options")
        if not written and "name" not in known:
            written, _, text = text.partition("\n")
            if len(written.split()) > 1:
                match = re.match(
                    r"([A-Z][A-Z0-9_]+)(?:\[[\d:]+\])?\s*[:.-]?\s+(.*)", plain(written)
                )
                written, text = (match[1], f"{match[2]}\n{text}") if match else (written, text)
        is_reserved = reserved(written) or (not written and reserved(text or "-"))
        last = FoundField(
            "" if is_reserved else name_of(written), bits, origin, reserved=is_reserved,
            summary="\n".join(t for t in (text, options) if t),
        )  # fmt: skip
        if not last.name and not is_reserved:
            sheet.doubt(
                "serious", f"bits {_span(bits)} have no name ({origin})", of=[register.name]
            )
            continue
        _access(cell_of(row, known, "access"), last, register, walk)
        _field_reset(
            cell_of(row, known, "reset"), radix_of(notes.get("reset", "")), last, register, walk
        )
        if last.reset is not None:
            for earlier in register.fields:
                if earlier.bits == last.bits and earlier.name == last.name:
                    earlier.reset = last.reset if earlier.reset is None else earlier.reset
        _add(register, last)


def _add(register: FoundRegister, found: FoundField) -> None:
    """The field into its register; what a bit diagram said before is completed."""
    for index, earlier in enumerate(register.fields):
        if (
            earlier.name == found.name
            and earlier.bits == found.bits
            and earlier.reserved == found.reserved
        ):
            found.access = found.access or earlier.access
            found.reset = earlier.reset if found.reset is None else found.reset
            register.fields[index] = found
            return
    register.fields.append(found)


def _span(bits: tuple[int, ...]) -> str:
    return str(bits[0]) if len(bits) == 1 else f"{bits[0]}..{bits[-1]}"


def _access(text: str, found: FoundField, register: FoundRegister, walk: Walk) -> None:
    if not plain(text) or re.fullmatch(r"[-.]+|n/a", plain(text)):
        return
    combined = PAIR.fullmatch(plain(text))
    access = access_of(text)
    if access is None and combined and access_of(combined[1]):
        access = access_of(combined[1])
        _field_reset(combined[2], None, found, register, walk)
    if access is None:
        walk.sheet.doubt(
            "open",
            f"access {plain(text)[:30]!r} is none that is known ({found.origin})",
            of=[register.name, found.name],
        )
    else:
        found.access = access


def _field_reset(
    text: str, radix: int | None, found: FoundField, register: FoundRegister, walk: Walk
) -> None:
    if not plain(text) or re.fullmatch(r"[-.xX?]+|n/a", plain(text), re.I):
        return
    width = len(found.bits)
    read = number_of(text, radix=radix, width=width)
    of = [register.name, found.name]
    if read is None:
        if (match := re.match(rf"({ADDRESS})\b", plain(text))) and match[1] != plain(text):
            _field_reset(match[1], radix, found, register, walk)
            return
        walk.sheet.doubt("open", f"reset {plain(text)[:30]!r} is no number ({found.origin})", of=of)
    elif read[0] >> width:
        walk.sheet.doubt(
            "serious", f"reset {plain(text)!r} does not fit {width} bits ({found.origin})", of=of
        )
    else:
        found.reset = read[0]
        if not read[1]:
            walk.sheet.doubt(
                "open",
                f"reset {plain(text)!r} is taken as {read[0]}, and could be in hex or binary",
                of=of,
            )


def take_summary(
    rows: list[tuple[list[Cell], str]], known: dict[str, int], notes: dict[str, str], walk: Walk
) -> None:
    """One row for each register."""
    for row, origin in rows:
        name = name_of(cell_of(row, known, "register") or cell_of(row, known, "name"))
        if not name or reserved(name) or not cell_of(row, known, "address"):
            continue
        register = register_of(walk.sheet, name, origin)
        set_address(
            walk.sheet, register, cell_of(row, known, "address"), origin, radix_of(notes["address"])
        )
        if (page := number_of(cell_of(row, known, "page"))) is not None:
            register.page = page[0]
        if text := cell_of(row, known, "reset"):
            radix = radix_of(notes.get("reset", ""))
            read = number_of(text, radix=radix)
            if read:
                register_reset(walk, register, hex(read[0]) if read[1] else text, origin)
        if (access := access_of(cell_of(row, known, "access"))) is not None:
            register.access = access
        register.summary = register.summary or plain(cell_of(row, known, "summary"))


def take_bit_rows(grid: Grid, start: int, walk: Walk) -> None:
    """A row of bit numbers with names below: registers by the row, one register, or a frame."""
    columns = bit_columns(grid.rows[start])
    known = heads([None if i in columns else c for i, c in enumerate(grid.rows[start])])
    first = min(columns)
    for row, origin in zip(grid.rows[start + 1 :], grid.origins[start + 1 :], strict=True):
        label = plain(next((c for c in row[:first] if c), "")) if first else ""
        cells = [(columns[i], row[i] if i < len(row) else "") for i in sorted(columns)]
        names = _runs(cells)
        kind = head_of(label)[0] if label else ""
        named = ""
        if "address" in known or "register" in known or ("name" in known and known["name"] < first):
            named = name_of(cell_of(row, known, "register") or cell_of(row, known, "name"))
        if named:
            walk.register = register_of(walk.sheet, named, origin)
            walk.framing = ""
            if cell_of(row, known, "address"):
                set_address(walk.sheet, walk.register, cell_of(row, known, "address"), origin)
            if (reset := number_of(cell_of(row, known, "reset"))) is not None:
                register_reset(walk, walk.register, hex(reset[0]), origin)
            if access := access_of(cell_of(row, known, "access")):
                walk.register.access = access
            kind = "name"
        texts = [plain(t) for _, t in names]
        if kind not in ("name", "access", "reset"):
            accesses = [access_of(t) for t in texts if t]
            both = [PAIR.fullmatch(t) for t in texts if t]
            if accesses and all(accesses):
                kind = "access"
            elif both and all(m and access_of(m[1]) for m in both):
                kind = "both"
            elif texts and all(re.fullmatch(r"[01xX-]+|", t) for t in texts):
                kind = "reset"
            else:
                kind = "name"
        if walk.framing:
            if kind == "name":
                for bits, text in names:
                    take_part(text, bits, origin, walk)
            continue
        if walk.register is None:
            walk.sheet.doubt(
                "serious", f"the bits at {origin} belong to no register that was named"
            )
            return
        if kind == "name":
            walk.register.width = max(walk.register.width or 0, max(columns.values()) + 1)
            for bits, text in names:
                is_reserved = reserved(text) or not plain(text)
                _add(
                    walk.register,
                    FoundField(
                        "" if is_reserved else name_of(text), bits, origin, reserved=is_reserved
                    ),
                )
        else:
            _per_bit(kind, names, walk.register, walk)


def _runs(cells: list[tuple[int, Cell]]) -> list[tuple[tuple[int, ...], str]]:
    """Cells side by side that are one: merged, or of one name (with an index in brackets)."""
    found: list[tuple[list[int], str]] = []
    for bit, cell in cells:
        text = (cell or "").strip()
        same = (
            found
            and text
            and not re.fullmatch(r"[01xX-]+", text)
            and name_of(text) == name_of(found[-1][1])
            and not access_of(text)
        )
        if found and (cell is None or same):
            found[-1][0].append(bit)
        else:
            found.append(([bit], text))
    return [(tuple(sorted(bits, reverse=True)), text) for bits, text in found]


def _per_bit(
    kind: str,
    names: list[tuple[tuple[int, ...], str]],
    register: FoundRegister,
    walk: Walk,
) -> None:
    """A row of accesses or resets under the names: bit by bit, or one text for a field."""
    whole = dict(names)
    single: dict[int, str] = {}
    for bits, text in names:
        if len(bits) > 1 and re.fullmatch(r"[01]+", plain(text)) and len(plain(text)) == len(bits):
            single.update(zip(bits, plain(text), strict=True))
        else:
            single.update(dict.fromkeys(bits, text))
    for found in register.fields:
        texts = [plain(single.get(b, "")) for b in found.bits]
        if kind == "both":
            _access(texts[0], found, register, walk)
        elif kind == "access":
            if texts[0] and len(set(texts)) == 1:
                _access(texts[0], found, register, walk)
        elif all(t in ("0", "1") for t in texts) and (
            found.bits not in whole
            or len(found.bits) == len(plain(whole[found.bits]))
            or len(found.bits) == 1
        ):
            found.reset = int("".join(texts), 2)
        elif found.bits in whole:
            text = plain(whole[found.bits])
            (_access if re.match(r"[RW]", text) else _reset_only)(text, found, register, walk)


def _reset_only(text: str, found: FoundField, register: FoundRegister, walk: Walk) -> None:
    _field_reset(text, None, found, register, walk)
