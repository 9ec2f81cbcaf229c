"""Registers and fields: a module each, with masks, options, and functions that take a field out and put it in."""

from __future__ import annotations

from ...chip.bits import mask_of, spans
from ...chip.model import ACCESS, Access, Field, Joined, Register
from ...quantity import plural
from ..bitcode import low_end
from ..framebase import word_bits
from ..options import band_text, option_word
from ..sheet import Sheet
from .either import Either
from .language import local, named
from .scales import write_conversions

#: names of constants and functions, which no field's module may have
OWN = ("address", "page", "width", "reset_word", "reserved_mask", "reserved_write")


def has_registers(sheet: Sheet) -> bool:
    """Whether one of the sections is selected that say something of registers."""
    return any(
        sheet.has(s)
        for s in ("addresses", "masks", "options", "resets", "helpers", "scales", "asserts")
    )


def write_registers(sheet: Sheet, lang: Either) -> list[str]:
    """The module of all registers, and one of the values that several fields hold."""
    chip = sheet.chip
    taken: set[str] = set()
    lines: list[str] = []
    for register in chip.registers.values():
        name = named(sheet, f"register {register.name}", register.name, taken)
        about = f"{register.name}: address 0x{register.address:X}"
        about += f", page {register.page}" if register.page is not None else ""
        about += f", {register.width} bits. {register.summary}"
        lines += ["", *lang.module(name, _register(sheet, lang, register), about)]
    out = ["", *lang.module("reg", lines, "Registers and their fields.")]
    if chip.joined:
        taken, lines = set(), []
        for item in chip.joined.values():
            name = named(sheet, item.name, item.name, taken)
            fields = ", ".join(f"{r}.{n}" for r, n in item.fields)
            about = f"{item.name}: {fields}, the first most significant. {item.summary}"
            lines += ["", *lang.module(name, _joined(sheet, lang, item), about)]
        out += ["", *lang.module("joined", lines, "Values held by several fields.")]
    return out


def _register(sheet: Sheet, lang: Either, register: Register) -> list[str]:
    bits = max((r.address.bit_length() for r in sheet.chip.registers.values()), default=1)
    kind = lang.uint(register.width)
    lines = lang.const("address", lang.uint(max(bits, 1)), lang.number(register.address, bits))
    if register.page is not None:
        lines += lang.const("page", lang.uint(16), lang.count(register.page))
    lines += lang.const("width", lang.uint(8), lang.count(register.width))
    lines += lang.const("reset_word", kind, lang.number(register.reset, register.width))
    if register.reserved:
        value = lang.number(register.reserved, register.width)
        lines += lang.const("reserved_mask", kind, value, "bits that belong to no field")
        if register.stated:
            value = lang.number(register.reserved_write & register.stated, register.width)
            keep = register.reserved_keep
            about = "what to write there" + (f", except 0x{keep:X}: as read" if keep else "")
            lines += lang.const("reserved_write", kind, value, about)
    taken, names = set(OWN), list[str]()
    for field in register.fields:
        about = f"{field.name}: {plural('bit', field.width)} {spans(field.bits)}"
        if field.access is not Access.RW:
            about += f", {ACCESS[field.access].partition(':')[0]}"
        about += f". {field.summary}" if field.summary else ""
        body = _field(sheet, lang, register, field)
        names.append(named(sheet, field.ref, field.name, taken))
        lines += ["", *lang.module(names[-1], body, about)]
    if sheet.has("asserts"):
        lines += _asserts(lang, register, names)
    return lines


def _asserts(lang: Either, register: Register, names: list[str]) -> list[str]:
    """What must hold of a register's masks, and that each field taken out is what was put in; while it is compiled."""
    lines: list[str] = []
    masks = [lang.widen(lang.path(n, lang.constant("mask"))) for n in names]
    whole = lang.number(register.mask, register.width)
    for name, field, mask in zip(names, register.fields, masks, strict=True):
        ref = field.ref
        lines += lang.claim(
            f"({mask} & {whole}) == {mask}", f"the mask of {ref} is wider than its register"
        )
        if field.writable and not field.access.clears:
            most = lang.number((1 << field.width) - 1, field.width)
            put = f"{lang.path(name, 'set')}({lang.count(0)}, {most})"
            lines += lang.claim(
                f"{put} == {lang.path(name, lang.constant('mask'))}",
                f"mask and functions of {ref} disagree",
            )
            lines += lang.claim(
                f"{lang.path(name, 'get')}({put}) == {most}",
                f"what is put into {ref} is not what comes out",
            )
    if len(masks) > 1:
        both = f"({' + '.join(masks)}) == ({' | '.join(masks)})"
        lines += lang.claim(both, f"fields of {register.name} overlap")
    reset = lang.widen(lang.constant("reset_word"))
    return [
        *lines,
        *lang.claim(
            f"({reset} & {whole}) == {reset}", f"the reset word of {register.name} is wider than it"
        ),
    ]


def _field(sheet: Sheet, lang: Either, register: Register, field: Field) -> list[str]:
    whole, small = lang.uint(register.width), lang.uint(field.width)
    lines = lang.const("mask", whole, lang.number(mask_of(field.bits), register.width))
    if low_end(field.bits) >= 0:
        lines += lang.const("shift", lang.uint(8), lang.count(low_end(field.bits)))
    lines += lang.const("width", lang.uint(8), lang.count(field.width))
    options = _options(sheet, lang, field)
    if sheet.has("options") and options:
        lines += lang.options(options, field.width)
    word = lang.let("whole", lang.widen("word"))
    expr = lang.take("whole", field.bits)
    body = [word, lang.give(lang.narrow(expr, field.width))]
    lines += lang.function("get", [("word", whole)], small, body)
    if sheet.has("scales"):
        lines += write_conversions(lang, field, field.ref, writable=field.writable)
    if not field.writable:
        return lines
    if field.access.clears:
        # changing one flag in a word that was read would clear all others that were set in it
        base = register.stated & register.reserved_write
        for other in register.fields:
            if other.access is Access.W0C and other is not field:
                base |= other.mask
        base |= field.mask if field.access is Access.W1C else 0
        about = "write this word to clear the field alone"
        return lines + lang.const("clear_word", whole, lang.number(base, register.width), about)
    keep = lang.number(register.mask & ~mask_of(field.bits), register.width)
    body = [
        lang.let("code", lang.widen("value")),
        lang.give(
            lang.narrow(f"({lang.widen('word')} & {keep}) | {lang.put('code', field.bits)}",
                        register.width)
        ),
    ]  # fmt: skip
    lines += lang.function("set", [("word", whole), ("value", small)], whole, body)
    if sheet.has("options") and options:
        lines += lang.set_option(whole, small)
    return lines


#: The one rule for most options of a driver: they are quantities.
DIGIT = "an option that begins with a digit has a v before it: v1_5ms is 1.5ms"


def _options(sheet: Sheet, lang: Either, item: Field | Joined) -> list[tuple[str, int, str]]:
    """(name, code, remark) of each option, names unique in this language."""
    rows: dict[str, tuple[str, int, str]] = {}
    for meaning in item.meanings:
        for entry in meaning.entries.values():
            said = option_word(entry)
            digit = said[0].isdigit()
            plain = name = lang.option_name(f"v{said}" if digit else said)
            found = rows.get(name)
            if found is not None and found[1] == entry.code:
                continue
            if found is not None:
                name = lang.option_name(f"{name}_code_{entry.code}")
            if entry.name and digit and name == plain:
                sheet.names.note(DIGIT)
            elif entry.name and name.lower() != entry.name.lower().replace(".", "_"):
                ref = item.ref if isinstance(item, Field) else item.name
                sheet.names.note(f"option '{entry.name}' of {ref} is called {name}")
            notes = [entry.text]
            if entry.band is not None and sheet.has("values"):
                notes.insert(0, band_text(entry.band))
            if meaning.when is not None:
                notes.append(f"while {meaning.when}")
            rows[name] = (name, entry.code, "; ".join(n for n in notes if n))
    return list(rows.values())


def _joined(sheet: Sheet, lang: Either, item: Joined) -> list[str]:
    chip = sheet.chip
    lines = lang.const("width", lang.uint(8), lang.count(item.width))
    options = _options(sheet, lang, item)
    if sheet.has("options") and options:
        lines += lang.options(options, item.width)
    at, taken = item.width, {"value", "word", "code"}
    names: dict[str, str] = {}
    pieces: list[tuple[str, Field, int]] = []
    for register_name, field_name in item.fields:
        field = chip.registers[register_name].field(field_name)
        assert field is not None  # the loader has seen to it
        at -= field.width
        if register_name not in names:
            names[register_name] = local(register_name, taken)
        pieces.append((register_name, field, at))
    body = [lang.let(f"wide_{v}", lang.widen(v)) for v in names.values()]
    terms = []
    for register_name, field, at in pieces:
        one = lang.take(f"wide_{names[register_name]}", field.bits)
        terms.append(f"(({one}) << {lang.count(at)})" if at else f"({one})")
    params = [(v, lang.uint(chip.registers[n].width)) for n, v in names.items()]
    result = lang.uint(item.width)
    lines += lang.function("get", params, result, [*body, lang.give(lang.narrow(" | ".join(terms), item.width))])  # fmt: skip
    if sheet.has("scales"):
        writable = all(f.writable for _, f, _ in pieces)
        lines += write_conversions(lang, item, item.name, writable=writable)
    for register_name, name in names.items():
        register = chip.registers[register_name]
        mine = [(f, a) for r, f, a in pieces if r == register_name]
        if not all(f.writable for f, _ in mine):
            continue
        keep = register.mask
        terms = []
        for field, at in mine:
            keep &= ~mask_of(field.bits)
            terms.append(lang.put(f"part_{at}", field.bits))
        whole = lang.uint(register.width)
        body = [lang.let(f"part_{a}", f"{lang.widen('value')} >> {lang.count(a)}") for _, a in mine]
        value = (
            f"({lang.widen('word')} & {lang.number(keep, register.width)}) | {' | '.join(terms)}"
        )
        body.append(lang.give(lang.narrow(value, register.width)))
        lines += lang.function(f"set_in_{name}", [("word", whole), ("value", result)], whole, body)
    return lines


def wide_of(sheet: Sheet) -> int:
    """32 where every frame, register and value fits, else 64."""
    sizes = [f.length for f in sheet.chip.frames.values()]
    sizes += [word_bits(sheet), *(j.width for j in sheet.chip.joined.values())]
    if sheet.chips and sheet.chip.chain is not None:
        sizes += [h.length for h in sheet.chip.chain.headers]
    return 32 if max(sizes) <= 32 else 64
