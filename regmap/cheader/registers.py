"""Register definitions: addresses, masks, shifts, option constants, reset words, access helpers."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from ..chip.bits import mask_of, spans
from ..chip.model import ACCESS, Access, Field, Joined, Register
from ..quantity import plural
from .bitcode import low_end, put, shifted, take
from .names import word
from .options import Row, field_options, fits, joined_options, scales
from .sheet import Sheet
from .text import block, bracket, comment, count, define, defines, number, utype, wtype


def write_registers(sheet: Sheet) -> None:
    """Everything that follows from the registers alone, as selected."""
    if sheet.has("addresses"):
        _addresses(sheet)
    if sheet.has("masks") or sheet.has("options") or sheet.has("resets"):
        _definitions(sheet)
    if sheet.has("options") and sheet.chip.joined:
        joined_options(sheet)
    if sheet.has("helpers"):
        _helpers(sheet)


def _addresses(sheet: Sheet) -> None:
    paged = any(r.page is not None for r in sheet.chip.registers.values())
    sheet.section("addresses" + (" and pages" if paged else ""))
    rows: list[Row] = []
    bits = max((r.address.bit_length() for r in sheet.chip.registers.values()), default=1)
    for register in sheet.chip.registers.values():
        rows.append(
            (address_macro(sheet, register), number(register.address, bits), register.summary)
        )
        if register.page is not None:
            rows.append((page_macro(sheet, register), count(register.page), ""))
    sheet.lines(*defines(rows))


def address_macro(sheet: Sheet, register: Register) -> str:
    return sheet.names.macro(*sheet.stem(register, "ADDR"), of=f"address of {register.name}")


def page_macro(sheet: Sheet, register: Register) -> str:
    return sheet.names.macro(*sheet.stem(register, "PAGE"), of=f"page of {register.name}")


def mask_macro(sheet: Sheet, field: Field) -> str:
    return sheet.names.macro(*_stem(field), "MASK", of=f"mask of {field.ref}")


def shift_macro(sheet: Sheet, field: Field) -> str:
    return sheet.names.macro(*_stem(field), "SHIFT", of=f"shift of {field.ref}")


def _stem(field: Field) -> tuple[str, str]:
    return word(field.register), word(field.name)


# --- definitions --------------------------------------------------------------------------------
def _definitions(sheet: Sheet) -> None:
    sheet.section(
        "registers and fields",
        "MASK and SHIFT place a field in its register; an option is a code, not yet shifted. "
        "A field of scattered bits has no SHIFT: use its helpers.",
    )
    for register in sheet.chip.registers.values():
        for name in (register.name, *(f.name for f in register.fields)):
            if word(name) != name.upper():
                sheet.names.note(
                    f"'{name}' of {register.name} is spelt {word(name)}", spelling=True
                )
        sheet.lines("", *block(_about(register)))
        rows: list[Row] = []
        if sheet.has("resets"):
            name = sheet.names.macro(
                *sheet.stem(register, "RESET"), of=f"reset word of {register.name}"
            )
            rows.append((name, number(register.reset, register.width), "reset word"))
            sheet.check(
                fits(name, register.width),
                f"the reset word of {register.name} is wider than the register",
            )
        if sheet.has("masks"):
            rows += _register_masks(sheet, register)
        masks: list[str] = []
        for field in register.fields:
            mine = _field(sheet, register, field)
            masks += [name for name, _, _ in mine[:1]]
            rows += mine
        sheet.lines(*defines(rows))
        if sheet.has("options") and sheet.has("values"):
            for field in register.fields:
                scales(sheet, field.name, field.meanings)
        if sheet.has("masks"):
            _check_overlap(sheet, register, masks)


def _about(register: Register) -> str:
    where = f"address 0x{register.address:X}" + (
        f", page {register.page}" if register.page is not None else ""
    )
    text = f"{register.name}: {where}, {register.width} bits"
    if register.reads_as != "written":
        text += f", reads as {register.reads_as}"
    if register.complement_of:
        text += f", always the complement of {register.complement_of}"
    if register.writable is not None:
        text += f"; writable while {register.writable}"
    return f"{text}. {register.summary}" if register.summary else text


def _register_masks(sheet: Sheet, register: Register) -> Iterable[Row]:
    """What must be written to reserved bits: clear with one mask, then set with the other."""
    stated = register.stated
    if register.reserved:
        what = f"reserved bits of {register.name}"
        macro = sheet.names.macro
        stem = sheet.stem(register)
        yield (
            macro(*stem, "RESERVED_MASK", of=what),
            number(register.reserved, register.width),
            "bits that belong to no field",
        )
        if stated:
            yield (
                macro(*stem, "RESERVED_WRITE", of=f"value of {what}"),
                number(register.reserved_write & stated, register.width),
                "what to write there"
                + (
                    f", except 0x{register.reserved_keep:X}: as read"
                    if register.reserved_keep
                    else ""
                ),
            )


def _field(sheet: Sheet, register: Register, field: Field) -> list[Row]:
    """Its constants, the mask first."""
    note = f"{plural('bit', field.width)} {spans(field.bits)}"
    if field.access is not Access.RW:
        note += f", {ACCESS[field.access].partition(':')[0]}"
    if field.summary:
        note += f": {field.summary}"
    rows: list[Row] = []
    stem, ref, macro, bits = _stem(field), field.ref, sheet.names.macro, field.width
    if sheet.has("masks"):
        mask = mask_macro(sheet, field)
        width = macro(*stem, "WIDTH", of=f"width of {ref}")
        rows.append((mask, number(mask_of(field.bits), register.width), note))
        shift = low_end(field.bits)
        if shift >= 0:
            place = shift_macro(sheet, field)
            rows.append((place, count(shift), ""))
            if bits < 64:
                wide = "uint32_t" if bits < 32 else "uint64_t"
                sheet.check(
                    f"(({wide})({mask} >> {place}) + 1U) == (({wide})1U << {width})",
                    f"mask, shift and width of {ref} disagree",
                )
        rows.append((width, count(bits), ""))
    if sheet.has("options"):
        rows += field_options(sheet, field, ref, stem, bits)
    return rows


def _check_overlap(sheet: Sheet, register: Register, masks: Sequence[str]) -> None:
    """Masks that overlap add up to more than their union."""
    if not masks:
        return
    sheet.check(
        fits(f"({' | '.join(masks)})" if len(masks) > 1 else masks[0], register.width),
        f"a mask is wider than {register.name}",
    )
    if len(masks) < 2:
        return
    sheet.check(
        f"({' + '.join(masks)}) == ({' | '.join(masks)})",
        f"fields of {register.name} overlap",
    )


# --- helpers ------------------------------------------------------------------------------------
def _helpers(sheet: Sheet) -> None:
    sheet.section(
        "reading and changing fields of a word",
        "get takes a field out of a register word; set returns the word with the field changed. "
        "A value that does not fit is cut to the field's width. Nothing here talks to the chip.",
    )
    for register in sheet.chip.registers.values():
        _reserved_helper(sheet, register)
        for field in register.fields:
            _field_helpers(sheet, register, field)
    for item in sheet.chip.joined.values():
        _joined_helpers(sheet, item)


def _reserved_helper(sheet: Sheet, register: Register) -> None:
    stated = register.stated
    if not stated or not register.takes_writes:
        return
    kind = utype(register.width)
    name = sheet.names.lower(
        *sheet.stem(register), "with_reserved", of=f"reserved bits helper of {register.name}"
    )
    keep = ~stated & register.mask
    expr = f"{('word' if register.width > 16 else '(unsigned int)word')} & {number(keep, register.width)}"
    if register.reserved_write & stated:
        expr = f"({expr}) | {number(register.reserved_write & stated, register.width)}"
    sheet.inline(
        f"{kind} {name}({kind} word)",
        [f"return ({kind})({expr});"],
        f"A word for {register.name} with reserved bits as they must be written.",
    )


def _field_helpers(sheet: Sheet, register: Register, field: Field) -> None:
    whole, small = utype(register.width), utype(field.width)
    stem = _stem(field)
    get = sheet.names.lower(*stem, "get", of=f"get helper of {field.ref}")
    sheet.inline(
        f"{small} {get}({whole} word)",
        [f"return ({small}){bracket(take('word', field.bits, register.width))};"],
    )
    if not field.writable:
        return
    if field.access.clears:
        # changing one flag in a word that was read would clear all others that were set in it
        name = sheet.names.macro(*stem, "CLEAR", of=f"clearing word of {field.ref}")
        stated = register.stated & register.reserved_write
        base = 0
        for other in register.fields:
            if other.access is Access.W0C and other is not field:
                base |= other.mask
        mine = field.mask if field.access is Access.W1C else 0
        sheet.lines(
            define(
                name,
                number(base | mine | stated, register.width),
                f"write this word to clear {field.name} alone",
                len(name),
            )
        )
        return
    name = sheet.names.lower(*stem, "set", of=f"set helper of {field.ref}")
    keep = register.mask & ~mask_of(field.bits)
    old = "(unsigned int)word" if register.width <= 16 else "word"
    new = put("value", field.bits, register.width)
    body = f"({old} & {number(keep, register.width)}) | {new}" if keep else new
    sheet.inline(
        f"{whole} {name}({whole} word, {small} value)"
        if keep
        else f"{whole} {name}({small} value)",
        [f"return ({whole})({body});"],
    )


def _joined_helpers(sheet: Sheet, item: Joined) -> None:
    pieces: list[tuple[Register, Field, int]] = []
    at = item.width
    for register_name, field_name in item.fields:
        register = sheet.chip.registers[register_name]
        field = register.field(field_name)
        assert field is not None  # the loader has seen to it
        at -= field.width
        pieces.append((register, field, at))
    touched = list(dict.fromkeys(r.name for r, _, _ in pieces))
    kind = utype(item.width)
    taken: set[str] = set()
    names = {name: sheet.names.member(name, taken) for name in touched}
    expr = []
    for register, field, at in pieces:
        bits = field.bits
        one = take(names[register.name], bits, register.width, item.width)
        expr.append(shifted(one, at))
    params = ", ".join(f"{utype(sheet.chip.registers[n].width)} {names[n]}" for n in touched)
    get = sheet.names.lower(word(item.name), "get", of=f"get helper of {item.name}")
    body = expr[0] if len(expr) == 1 else f"({' | '.join(expr)})"
    sheet.inline(
        f"{kind} {get}({params})",
        [f"return ({kind}){bracket(body)};"],
        comment(item.summary or item.name),
    )
    for name in touched:
        register = sheet.chip.registers[name]
        mine = [(f, a) for r, f, a in pieces if r.name == name]
        if not all(f.writable for f, _ in mine):
            continue
        mask = 0
        parts = []
        for field, at in mine:
            mask |= mask_of(field.bits)
            value = take("value", tuple(range(at + field.width - 1, at - 1, -1)), item.width)
            parts.append(
                put(
                    f"({wtype(max(register.width, field.width))}){bracket(value)}",
                    field.bits,
                    register.width,
                )
            )
        whole = utype(register.width)
        old = f"({wtype(register.width)})word & {number(register.mask & ~mask, register.width)}"
        set_name = sheet.names.lower(
            word(item.name), "set_in", word(name), of=f"set helper of {item.name} in {name}"
        )
        sheet.inline(
            f"{whole} {set_name}({whole} word, {kind} value)",
            [f"return ({whole})(({old}) | {' | '.join(parts)});"],
        )
