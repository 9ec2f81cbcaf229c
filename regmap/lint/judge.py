"""One number of a header against the map, by what its name says that it is."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from regmap.record import dataclass

from ..chip import values
from ..chip.bits import deposit, extract, hexword, mask_of, spans
from ..chip.model import Chip, Field, Register
from ..errors import CallError
from ..quantity import Band, Quantity, many, parse, plural
from .defines import Define
from .names import Meant, flat


class Disagreement(NamedTuple):
    """What was found, what was expected, the nearest name, the number that is right where there is one, and whether it is a doubt."""

    found: str
    expected: str
    near: str = ""
    right: int | None = None
    doubt: bool = False


@dataclass(frozen=True, slots=True)
class HeaderStyle:
    """How a header writes what can be written in two ways, by what most of its numbers are; None where too few tell.

    `masks` and `options`: True in place, False as before the shift. `shifts` are the fields of which a shift stands there.
    """

    shifts: frozenset[str] = frozenset()
    masks: bool | None = None
    options: bool | None = None


def style_of(known: Sequence[tuple[Define, Meant]]) -> HeaderStyle:
    """By the numbers of fields that do not begin at bit 0, of which both ways differ."""
    placed: dict[str, list[bool]] = {"mask": [], "option": []}
    for item, meant in known:
        field, value = meant.field, item.value
        if field is None or min(field.bits) == 0 or value is None:
            continue
        kind = "mask" if meant.kind == "field" and field.width > 1 else meant.kind
        code = (1 << field.width) - 1 if kind == "mask" else meant.option
        if kind in placed and code and value in (code, deposit(code, field.bits)):
            placed[kind].append(value != code)
    return HeaderStyle(
        frozenset(m.field.ref for _, m in known if m.kind == "shift" and m.field is not None),
        _mostly(placed["mask"], 4, 3),
        _mostly(placed["option"], 10, 9),
    )


def _mostly(told: list[bool], least: int, share: int) -> bool | None:
    """What `share` of `least` say, where there are that many: masks are more often all of one kind than options."""
    if len(told) >= least:
        for way in (True, False):
            if least * told.count(way) >= share * len(told):
                return way
    return None


def judge(chip: Chip, item: Define, meant: Meant, style: HeaderStyle) -> Iterator[Disagreement]:
    value = item.value
    assert value is not None
    register, field = meant.register, meant.field
    above = value | register.mask
    if value < 0 or ("~" in item.body and above in (0xFFFF, 0xFFFFFFFF, (1 << 64) - 1)):
        value &= register.mask  # all bits but some, in a type that is wider than the register
    if field is None:
        yield from _judge_register(chip, meant, register, value)
    else:
        yield from _judge_field(item, meant, field, value, style)
    yield from (d for d in _judge_comment(item, meant, value) if d is not None)


def comment_tells(item: Define, meant: Meant) -> bool:
    """Whether the comment says something that can be compared with the number."""
    return item.value is not None and any(True for _ in _judge_comment(item, meant, item.value))


def _word(value: int, register: Register) -> str:
    return hexword(value, register.width)


def _judge_register(
    chip: Chip, meant: Meant, register: Register, value: int
) -> Iterator[Disagreement]:
    if meant.kind in ("register", "address"):
        part = chip.default_frame(register).command.of_kind("address")
        placed = {register.address}
        if part is not None:
            placed.add(deposit(register.address, part.bits))
        if value not in placed:
            yield Disagreement(
                f"address 0x{value:X}",
                f"0x{register.address:X}, the address of {register.name}",
                right=register.address,
            )
    elif meant.kind == "mask":
        union = mask_of(tuple(b for f in register.fields for b in f.bits))
        if value not in (register.mask, union):
            yield Disagreement(
                f"mask {_word(value, register)}",
                f"{_word(register.mask, register)} (all bits) or {_word(union, register)} (its fields)",
                right=register.mask,
            )
    elif meant.kind == "width" and value != register.width:
        yield Disagreement(
            f"width {value}", f"{register.width} bits as {register.name} has", right=register.width
        )
    elif meant.kind == "reset" and value != register.reset:
        yield Disagreement(
            f"reset word {_word(value, register)}",
            f"{_word(register.reset, register)} for {register.name}{_differs(register, value, register.reset)}",
            right=register.reset,
        )
    elif meant.kind == "page" and register.page is not None and value != register.page:
        yield Disagreement(
            f"page {value}", f"{register.page}, where {register.name} is", right=register.page
        )
    elif meant.kind in ("reserved", "kept", "stated", "verified"):
        yield from _judge_bits(meant.kind, register, value)
    elif meant.kind == "word":
        if value >> register.width:
            yield Disagreement(
                f"0x{value:X}", f"a word of {register.width} bits for {register.name}"
            )
        elif register.stated & (value ^ register.reserved_write):
            stated = register.stated
            yield Disagreement(
                f"reserved bits {_word(value & stated, register)}",
                f"{_word(register.reserved_write & stated, register)} in the reserved bits of {register.name}",
                right=value & ~stated | register.reserved_write & stated,
            )


def _judge_bits(kind: str, register: Register, value: int) -> Iterator[Disagreement]:
    """A mask of bits of one kind; what is written to the reserved ones."""
    stated, about = register.reserved_write & register.stated, f"of {register.name}"
    if kind == "reserved" and value not in (register.reserved, register.stated):
        right, what = register.reserved, f"the bits {about} that belong to no field"
    elif kind == "kept" and value != register.kept:
        right, what = register.kept, f"the reserved bits {about} to be written as they are read"
    elif kind == "stated" and (value & register.stated != stated or value & ~register.reserved):
        right, what = stated, f"in the reserved bits {about}"
    elif kind == "verified" and (value & ~register.shows or cut_fields(register, value)):
        right, what = register.read_back, f"bits {about} that a read shows, of whole fields"
    else:
        return
    told = "bits" if kind == "stated" else "mask"
    yield Disagreement(
        f"{told} {_word(value, register)}", f"{_word(right, register)}, {what}", right=right
    )


def cut_fields(register: Register, mask: int) -> list[Field]:
    """The fields of which a mask has some bits and not all."""
    return [f for f in register.fields if mask & f.mask not in (0, f.mask)]


def _differs(register: Register, a: int, b: int) -> str:
    names = [f.name for f in register.fields if extract(a, f.bits) != extract(b, f.bits)]
    return f"; {', '.join(names)} differ{'s' * (len(names) == 1)}" if names else ""


def _judge_field(
    item: Define, meant: Meant, field: Field, value: int, style: HeaderStyle
) -> Iterator[Disagreement]:
    register = meant.register
    mask, low = mask_of(field.bits), min(field.bits)
    where = f"{plural('bit', field.width)} {spans(field.bits)} of {field.register}"
    if meant.kind == "mask" or (meant.kind == "field" and field.width > 1):
        accepted = {mask}
        if (field.ref in style.shifts and style.masks is not True) or low == 0:
            accepted.add((1 << field.width) - 1)
        if value not in accepted:
            small = len(accepted) > 1 and value & 1 == 1
            yield Disagreement(
                f"mask {_word(value, register)}{_width_hint(value, field)}",
                f"{_word(mask, register)}, {where}",
                right=(1 << field.width) - 1 if small else mask,
            )
    elif meant.kind == "field":
        # a small number could be the bit's as well as its mask
        is_mask = value >= register.width or _placed(item)
        if value != mask and (is_mask or value != low):
            yield Disagreement(
                f"{_word(value, register)}",
                f"{_word(mask, register)}{'' if _placed(item) else f' or {low}'}, {where}",
                right=mask if is_mask else None,
            )
    elif meant.kind == "shift":
        if value != low:
            yield Disagreement(f"shift {value}", f"{low}, {where}", right=low)
    elif meant.kind == "top":
        if value != max(field.bits):
            yield Disagreement(
                f"highest bit {value}", f"{max(field.bits)}, {where}", right=max(field.bits)
            )
    elif meant.kind == "bit":
        if value != mask and (_placed(item) or value != low):
            right = mask if _placed(item) else low
            yield Disagreement(f"bit {value}", f"{right}, {where}", right=right)
    elif meant.kind == "width":
        if value != field.width:
            yield Disagreement(f"width {value}", f"{field.width}, {where}", right=field.width)
    elif meant.kind == "reset":
        if value not in (field.reset, deposit(field.reset, field.bits)):
            placed = deposit(field.reset, field.bits)
            yield Disagreement(
                f"reset value 0x{value:X}",
                f"0x{field.reset:X} for {field.ref}",
                right=placed if value >> field.width else field.reset,
            )
    elif meant.kind == "clear":
        yield from _judge_clear(field, register, value)
    elif meant.kind == "option":
        yield from _judge_option(meant, field, value, style)
    elif meant.kind == "word":
        yield from _fits(field, value)


def _placed(item: Define) -> bool:
    """Whether the number is written as a bit in place."""
    return "BIT" in item.body or "<<" in item.body


def _judge_clear(field: Field, register: Register, value: int) -> Iterator[Disagreement]:
    """What clears a flag alone; of a field that no write clears, what clears its bits in a word: all others."""
    mask, union = field.mask, sum(f.mask for f in register.fields)
    others = {union & ~mask, register.mask & ~mask}
    if not field.access.clears:
        wide = (1 << max(8, 1 << (register.width - 1).bit_length())) - 1 & ~mask
        right, accepted = register.mask & ~mask, {*others, wide, mask, 0}
        told = f"{_word(right, register)}, all bits but those of {field.ref}"
    else:
        # write 0 to clear: ones elsewhere; write 1 to clear: that bit alone
        accepted = others if field.access.at_rest == 1 else {mask}
        right = min(accepted)
        told = f"{_word(right, register)}, which clears {field.ref} alone"
    if value not in accepted:
        yield Disagreement(_word(value, register), told, right=right)


def _width_hint(value: int, field: Field) -> str:
    ones = bin(value).count("1")
    return f" of {many(ones, 'bit')}" if ones != field.width else ""


def _judge_option(
    meant: Meant, field: Field, value: int, style: HeaderStyle
) -> Iterator[Disagreement]:
    code = meant.option
    if code is None:
        yield from _fits(field, value)
        return
    same = [
        e.code
        for m in field.meanings
        for e in m.entries.values()
        if flat(e.name) == flat(meant.option_name)
    ]
    for right in (code, *meant.options, *same):
        placed = deposit(right, field.bits)
        if (value == right and style.options is not True) or (
            value == placed and style.options is not False
        ):
            return
    yield Disagreement(
        f"0x{value:X} for '{meant.option_name}'",
        f"code {code} (0x{deposit(code, field.bits):X} in place) of {field.ref}",
        right=deposit(code, field.bits) if value >> field.width else code,
    )


def _fits(field: Field, value: int) -> Iterator[Disagreement]:
    mask = mask_of(field.bits)
    if value >> field.width and value & ~mask:
        yield Disagreement(
            f"0x{value:X}",
            f"a code of {many(field.width, 'bit')} for {field.ref}, "
            f"0..{(1 << field.width) - 1}, or bits within 0x{mask:X}",
        )


# --- comments -----------------------------------------------------------------------------------
_HEX = re.compile(r"[!<*\s]*(?:=\s*)?(0[xX][0-9a-fA-F]+)\s*(?:[.,;)]\s*)?")
_SPAN = r"\d{1,2}(?:\s*(?:\.\.|:|-|to)\s*\d{1,2})?(?![\w.])"
_BITS = re.compile(rf"\bbits?\s*\[?({_SPAN}(?:\s*(?:,|and)\s*{_SPAN})*)", re.IGNORECASE)
_QUANTITY = re.compile(
    r"(?<![\w.])([-+]?\d+(?:\.\d+)?\s*(?:[fpnuµmkMG]?(?:V|A|s|Hz|ohm|Ω|F|H|C|W)|degC|V/V|%))(?![\w/])"
)


def _judge_comment(item: Define, meant: Meant, value: int) -> Iterator[Disagreement | None]:
    """A comment that is a number, names bits or states a physical value must agree with the word; None where it does."""
    hexed = _HEX.fullmatch(item.comment)
    if hexed:
        told = Disagreement(f"0x{value:X} beside the comment {hexed[1]}", "the same number in both")
        yield told if int(hexed[1], 16) != value else None
    bits = _BITS.search(item.comment)
    if bits and meant.field is not None and meant.kind in ("mask", "field", "shift", "bit"):
        said: set[int] = set()
        for ends in re.findall(_SPAN, bits[1]):
            high, low = sorted(map(int, (re.findall(r"\d+", ends) * 2)[:2]), reverse=True)
            said |= set(range(low, high + 1))
        ours = meant.field.bits
        told = Disagreement(
            f"a comment that says {plural('bit', len(said))} {spans(sorted(said, reverse=True))}",
            f"{plural('bit', len(ours))} {spans(ours)} of {meant.field.register}",
        )
        yield told if said != set(ours) else None
    for clause in re.split(r"[,;]", item.comment):
        stated = []
        for text in _QUANTITY.findall(clause):
            try:
                stated.append(parse(text))
            except CallError:
                continue
        for dim in dict.fromkeys(q.dim for q in stated):
            same = [q for q in stated if q.dim == dim]
            yield from _judge_quantities(same, clause, meant, value)


def _judge_quantities(
    stated: list[Quantity], clause: str, meant: Meant, value: int
) -> Iterator[Disagreement | None]:
    """Compares with what the word holds, wherever the map gives that dimension a value.

    Where the clause around the value names a field ("2 us dead time"), that field must hold it.
    One value must be the typical one; of several, each must lie within min and max.
    """
    held = [
        (field, reading)
        for field, code in _held(clause, meant, value)
        for meaning in field.meanings
        if (reading := values.in_meaning(meaning, code, field.width)).band is not None
        and reading.band.dim == stated[0].dim
    ]
    if any(r.band is not None and _agrees(stated, r.band) for _, r in held):
        yield None
    elif held:
        said = ", ".join(dict.fromkeys(f"{f.name} {r.label}" for f, r in held))
        text = " / ".join(map(str, stated))
        yield Disagreement(f"a comment that says {text}", f"what the number holds: {said}")


def _held(clause: str, meant: Meant, value: int) -> list[tuple[Field, int]]:
    """The fields that a comment may speak of, with the codes that the number gives them."""
    field, register = meant.field, meant.register
    if field is not None and meant.kind in ("option", "reset", "word"):
        # an option may be written as a code or in place; both readings count
        codes = [extract(value, field.bits)]
        if meant.option is not None:
            return [(field, meant.option if meant.option in (value, codes[0]) else codes[0])]
        return [(field, c) for c in ([value] if not value >> field.width else []) + codes]
    if field is None and meant.kind in ("reset", "word") and not value >> register.width:
        every = [(f, extract(value, f.bits)) for f in register.fields]
        return [(f, c) for f, c in every if flat(f.name) in flat(clause)] or every
    return []


def _agrees(stated: list[Quantity], band: Band) -> bool:
    if len(stated) == 1:
        return abs(band.typ - stated[0].value) * 200 <= abs(band.typ)
    room = abs(band.typ) / 200
    return all(band.low - room <= q.value <= band.high + room for q in stated)
