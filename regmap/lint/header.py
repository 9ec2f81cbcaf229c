"""A hand-written header held against a map: what disagrees, and what could not be judged.

    result = lint(chip, text, "driver_regs.h")
    result.problems     findings, each with its place: wrong mask, shift, width, address, reset word;
                        masks that overlap; values that do not fit; comments that contradict numbers
                        macros with arguments that place or take wrong bits, bit fields that lie elsewhere,
                        rows of tables whose words cannot be
    result.skipped      definitions that were not understood, each with the reason
    result.read         how many definitions were compared
    result.fixes        what puts findings right, one by one; `put_right` all of them

A definition is recognised by its name: an optional prefix common to the file, then register,
field and option as the map calls them (underscores and case do not count), then what it is:
`_MASK`, `_SHIFT`, `_POS`, `_WIDTH`, `_ADDR`, `_RESET` and the like. Without such an ending
`PREFIX_REG` is taken for an address, `PREFIX_REG_FIELD` for a mask or bit number.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import NamedTuple

from regmap.record import dataclass, replace

from ..chip import values
from ..chip.bits import deposit, extract, hexword, mask_of, spans
from ..chip.model import Chip, Field, Register
from ..errors import CallError, Place, Problem, closest
from ..quantity import Band, Quantity, many, parse, plural
from .declarations import BitFields, read_declarations
from .defines import Define, Evaluator, Unreadable, evaluated, read_source, without_dead
from .fixes import Fix, fix_of, patched
from .names import Meant, Names, flat, kind_of, pieces_of
from .tables import judge_command, judge_values, unitless


@dataclass(frozen=True, slots=True, kw_only=True)
class Lint:
    """Findings, what was left out and why, and the two counts; `prefix` is what names were taken to begin with."""

    problems: tuple[Problem, ...]
    skipped: tuple[Problem, ...]
    read: int
    prefix: str = ""
    #: what puts right those findings of which the right number is known
    fixes: tuple[Fix, ...] = ()

    @property
    def unread(self) -> int:
        return len(self.skipped)


def lint(chip: Chip, text: str, name: str, more: str = "") -> Lint:
    """Compare what `text` defines; `name` is the file's name in messages, `more` the headers that it includes."""
    text = without_dead(text)
    macros, evaluator = read_source(text, more)
    if more:
        read_declarations(more, evaluator)
    declared = read_declarations(text, evaluator)
    items = [*(evaluated(m, evaluator) for m in macros), *declared.constants]
    names = Names(chip)
    other_names = [d.key for d in declared.described] + [f.name for f in declared.functions]
    other_names += [unitless(a.item.name)[0] for a in declared.arrays]
    prefix = names.common_prefix([*(i.name for i in items), *other_names])
    calls = [i for i in items if i.params is not None]
    # a function may work out anything: only those that take or place bits by their names
    calls += [f for f in declared.functions if _takes_bits(f, names.meaning(f.name, prefix))]
    items = [i for i in items if i.params is None]
    problems: list[Problem] = []
    skipped: list[Problem] = []
    known: list[tuple[Define, Meant]] = []
    shifts: set[str] = set()
    frames: list[tuple[Define, str, Register]] = []
    for item in items:
        meant = names.meaning(item.name, prefix)
        access = names.frame_of(item.name, prefix) if item.value else None
        if access is not None and item.value and item.value >> access[1].width:
            frames.append((item, *access))
            continue
        if meant is None or item.value is None:
            skipped.append(_skip(item, name, meant, names))
            continue
        known.append((item, meant))
        if meant.kind == "shift" and meant.field is not None:
            shifts.add(meant.field.ref)
    fixes: list[Fix] = []
    for item, meant in known:
        for found in _judge(chip, item, meant, shifts):
            problems.append(_problem(item, name, found.found, found.expected, found.near))
            fixes += fix_of(item, found.right)
    compared = len(known) + len(frames)
    for item, kind, register in frames:
        for told in judge_command(chip, item, kind, register):
            problems.append(_problem(item, name, *told))
    for item in calls:
        meant = names.meaning(item.name, prefix)
        if meant is None or meant.field is None:
            skipped.append(_skip(item, name, meant, names))
            continue
        try:
            findings = list(_judge_call(item, meant, meant.field, evaluator))
        except Unreadable as error:
            skipped.append(_skip(replace(item, why=str(error)), name, meant, names))
            continue
        compared += 1
        problems += [_problem(item, name, f.found, f.expected, f.near) for f in findings]
    for layout in declared.layouts:
        found_members, count = _judge_layout(layout, names, prefix, name)
        problems += found_members
        compared += count
    for row in declared.rows:
        meant = names.meaning(row.key, prefix)
        if meant is not None and meant.field is None and row.item.value is not None:
            compared += 1
            # a table that says so holds the words at reset
            at_reset = any(
                kind_of(p) == "reset" for p in pieces_of(row.table) if p.upper() not in _WISHED
            )
            word = Meant("reset" if at_reset else "word", meant.register)
            for found in _judge(chip, row.item, word, shifts):
                problems.append(_problem(row.item, name, found.found, found.expected, found.near))
                fixes += fix_of(row.item, found.right)
    for described in declared.described:
        meant = names.meaning(described.key, prefix) or names.meaning(described.key, "")
        for member, cell in described.cells if meant is not None else ():
            kind = kind_of(pieces_of(member)[-1]) if meant is not None and pieces_of(member) else ""
            if meant is None or kind not in _DESCRIBES:
                continue
            compared += 1
            about = Meant(kind, meant.register, None if kind == "address" else meant.field)
            for found in _judge(chip, cell, about, shifts):
                problems.append(_problem(cell, name, found.found, found.expected, found.near))
                fixes += fix_of(cell, found.right)
    for array in declared.arrays:
        bare, unit = unitless(array.item.name)
        meant = names.meaning(bare, prefix)
        if meant is None or meant.field is None or meant.kind != "field":
            continue
        for wrong in judge_values(meant.field, unit, array.numbers):
            compared += 1
            if wrong is not None:
                problems.append(_problem(array.item, name, *wrong, at_value=False))
    skipped += [_skip(i, name, None, names) for i in declared.skipped]
    skipped.sort(key=lambda p: (p.place.line, p.place.column))
    if not compared:
        problems.append(
            Problem(
                Place(name, 1, 1, 1, text.partition("\n")[0]),
                f"nothing that could be compared with {chip.name}",
                "macros, enumerators, bit fields or tables named as the map names registers and fields",
            )
        )
    problems += _overlaps(known, name)
    problems += _twice(items, name)
    problems.sort(key=lambda p: (p.place.line, p.place.column))
    return Lint(
        problems=tuple(problems),
        skipped=tuple(skipped),
        read=compared,
        prefix=prefix,
        fixes=tuple(fixes),
    )


def put_right(chip: Chip, text: str, name: str, more: str = "") -> tuple[str, Lint]:
    """The text with what is known to be wrong put right, and what is found in it then.

    Numbers that stand in the file first: what is worked out from one of them is then right by itself.
    """
    result = lint(chip, text, name, more)
    for literal in (True, False):
        text = patched(text, [f for f in result.fixes if f.literal or not literal])
        result = lint(chip, text, name, more)
    return text, result


def _place(item: Define, name: str, *, at_value: bool = True) -> Place:
    column = item.value_column if at_value else item.column
    span = len(item.body) if at_value else len(item.name)
    return Place(name, item.line, column, max(span, 1), item.text)


def _problem(
    item: Define, name: str, found: str, expected: str, near: str = "", *, at_value: bool = True
) -> Problem:
    return Problem(_place(item, name, at_value=at_value), found, expected, near, item.name)


def _skip(item: Define, name: str, meant: Meant | None, names: Names) -> Problem:
    if item.value is None:
        found, expected = f"'{item.name}' was not read: {item.why}", "a whole number"
    else:
        found = f"'{item.name}' names no register or field of {names.chip.name}"
        expected = "PREFIX_REG_FIELD with names of the map"
    near = closest(names.bare(item.name), names.all) if meant is None else ""
    return Problem(_place(item, name, at_value=False), found, expected, near, "", "warning")


#: a default may be what the firmware wants, not what the chip starts with
_WISHED = {"DEFAULT", "DEFAULTS"}
_DESCRIBES = ("address", "mask", "shift", "top", "width", "reset")


def _takes_bits(item: Define, meant: Meant | None) -> bool:
    if meant is None or meant.field is None or meant.kind not in ("get", "set", "field"):
        return False
    return any(x in item.body for x in ("&", "<<", ">>"))


# --- judgement ----------------------------------------------------------------------------------
class _Found(NamedTuple):
    """What was found, what was expected, the nearest name, and the number that is right where there is one."""

    found: str
    expected: str
    near: str = ""
    right: int | None = None


def _judge(chip: Chip, item: Define, meant: Meant, shifts: set[str]) -> Iterator[_Found]:
    value = item.value
    assert value is not None
    register, field = meant.register, meant.field
    if value < 0:
        value &= register.mask
    if field is None:
        yield from _judge_register(chip, meant, register, value)
    else:
        yield from _judge_field(item, meant, field, value, shifts)
    yield from _judge_comment(item, meant, value)


def _word(value: int, register: Register) -> str:
    return hexword(value, register.width)


def _judge_register(chip: Chip, meant: Meant, register: Register, value: int) -> Iterator[_Found]:
    if meant.kind in ("register", "address"):
        part = chip.default_frame(register).command.of_kind("address")
        placed = {register.address}
        if part is not None:
            placed.add(deposit(register.address, part.bits))
        if value not in placed:
            yield _Found(
                f"address 0x{value:X}",
                f"0x{register.address:X}, the address of {register.name}",
                right=register.address,
            )
    elif meant.kind == "mask":
        union = mask_of(tuple(b for f in register.fields for b in f.bits))
        if value not in (register.mask, union):
            yield _Found(
                f"mask {_word(value, register)}",
                f"{_word(register.mask, register)} (all bits) or {_word(union, register)} (its fields)",
                right=register.mask,
            )
    elif meant.kind == "width" and value != register.width:
        yield _Found(
            f"width {value}", f"{register.width} bits as {register.name} has", right=register.width
        )
    elif meant.kind == "reset" and value != register.reset:
        yield _Found(
            f"reset word {_word(value, register)}",
            f"{_word(register.reset, register)} for {register.name}{_differs(register, value, register.reset)}",
            right=register.reset,
        )
    elif meant.kind == "word":
        if value >> register.width:
            yield _Found(f"0x{value:X}", f"a word of {register.width} bits for {register.name}")
        elif register.stated & (value ^ register.reserved_write):
            stated = register.stated
            yield _Found(
                f"reserved bits {_word(value & stated, register)}",
                f"{_word(register.reserved_write & stated, register)} in the reserved bits of {register.name}",
                right=value & ~stated | register.reserved_write & stated,
            )


def _differs(register: Register, a: int, b: int) -> str:
    names = [f.name for f in register.fields if extract(a, f.bits) != extract(b, f.bits)]
    return f"; {', '.join(names)} differ{'s' * (len(names) == 1)}" if names else ""


def _judge_field(
    item: Define, meant: Meant, field: Field, value: int, shifts: set[str]
) -> Iterator[_Found]:
    register = meant.register
    mask, low = mask_of(field.bits), min(field.bits)
    where = f"{plural('bit', field.width)} {spans(field.bits)} of {field.register}"
    if meant.kind == "mask" or (meant.kind == "field" and field.width > 1):
        accepted = {mask}
        if field.ref in shifts or low == 0:
            accepted.add((1 << field.width) - 1)
        if value not in accepted:
            small = len(accepted) > 1 and value & 1 == 1
            yield _Found(
                f"mask {_word(value, register)}{_width_hint(value, field)}",
                f"{_word(mask, register)}, {where}",
                right=(1 << field.width) - 1 if small else mask,
            )
    elif meant.kind == "field":
        if value not in (mask, low):
            # a small number could be the bit's as well as its mask
            is_mask = value >= register.width or "BIT" in item.body or "<<" in item.body
            yield _Found(
                f"{_word(value, register)}",
                f"{_word(mask, register)} or {low}, {where}",
                right=mask if is_mask else None,
            )
    elif meant.kind == "shift":
        if value != low:
            yield _Found(f"shift {value}", f"{low}, {where}", right=low)
    elif meant.kind == "top":
        if value != max(field.bits):
            yield _Found(
                f"highest bit {value}", f"{max(field.bits)}, {where}", right=max(field.bits)
            )
    elif meant.kind == "bit":
        if value not in (low, mask):
            yield _Found(f"bit {value}", f"{low}, {where}", right=low)
    elif meant.kind == "width":
        if value != field.width:
            yield _Found(f"width {value}", f"{field.width}, {where}", right=field.width)
    elif meant.kind == "reset":
        if value not in (field.reset, deposit(field.reset, field.bits)):
            placed = deposit(field.reset, field.bits)
            yield _Found(
                f"reset value 0x{value:X}",
                f"0x{field.reset:X} for {field.ref}",
                right=placed if value >> field.width else field.reset,
            )
    elif meant.kind == "clear":
        union = sum(f.mask for f in register.fields)
        # write 0 to clear: ones elsewhere; write 1 to clear: that bit alone
        ones = field.access.at_rest == 1
        right = {union & ~mask, register.mask & ~mask} if ones else {mask}
        if value not in right:
            told = _word(min(right), register)
            yield _Found(
                f"{_word(value, register)}",
                f"{told}, which clears {field.ref} alone",
                right=min(right),
            )
    elif meant.kind == "option":
        yield from _judge_option(meant, field, value)
    elif meant.kind == "word":
        yield from _fits(field, value)


def _judge_call(item: Define, meant: Meant, field: Field, evaluator: Evaluator) -> Iterator[_Found]:
    """A macro that places a code, takes one out of a word, or changes it there. Raises Unreadable."""
    most, mask, full = (1 << field.width) - 1, field.mask, (1 << 64) - 1
    assert item.params is not None
    if field.bits != tuple(range(field.bits[0], field.bits[-1] - 1, -1)):
        raise Unreadable("its field has scattered bits")
    codes = sorted({0, 1, most, most >> 1, *(1 << i for i in range(field.width))})
    where = f"{plural('bit', field.width)} {spans(field.bits)} of {field.register}"

    def call(*values: int) -> int:
        return evaluator.call(item.name, list(values)) & full

    if len(item.params) == 1:
        puts = all(call(c) == deposit(c, field.bits) for c in codes)
        gets = all(call(deposit(c, field.bits)) == c for c in codes)
        # what a getter sees of the other bits must not come through
        gets = gets and all(call(1 << b) == 0 for b in range(32) if not mask >> b & 1)
        if puts and meant.kind != "get":
            # a code that is too large is cut to the field, or not at all; casts cut at a byte's end
            spilt = call((1 << 32) - 1)
            cut = spilt.bit_length() not in (
                m for n in (8, 16, 32, 64) for m in (n, n + min(field.bits))
            )
            puts = spilt | mask == mask or not cut
        wanted = {"get": gets, "set": puts}.get(meant.kind, puts or gets)
        if not wanted:
            took = meant.kind == "get"
            right = all(call(c) == deposit(c, field.bits) for c in codes)
            too_much = (1 << 32) - 1 if right else most
            yield _Found(
                f"{item.name}({'all ones' if took else hex(too_much)}) = 0x{call(mask if took else too_much):X}",
                f"{most if took else f'0x{mask:X}'}, {where}",
            )
    elif len(item.params) == 2:

        def changes(word: int, code: int) -> bool:
            right = word & ~mask | deposit(code, field.bits)
            return right in (call(word, code), call(code, word))

        words = (0, meant.register.mask)
        if not all(changes(w, c) for w in words for c in codes):
            yield _Found(
                f"{item.name}, which puts {most} into 0 as 0x{call(0, most):X}",
                f"0x{mask:X}, {where}, and the other bits as they were",
            )
    else:
        raise Unreadable(f"it takes {len(item.params)} arguments")


def _judge_layout(
    layout: BitFields, names: Names, prefix: str, name: str
) -> tuple[list[Problem], int]:
    """Members against the register that the structure is named after; from either end, as compilers do."""
    register = next(
        (r for n in layout.names if (r := names.register_of(n, prefix)) is not None), None
    )
    if register is None:
        return [], 0
    fields = {flat(f.name): f for f in register.fields}
    known = [(m, fields[flat(m.name)]) for m in layout.members if flat(m.name) in fields]

    most = max(layout.bits, register.width)

    def wrong(msb_first: bool) -> list[Problem]:
        found = []
        for member, item in known:
            low = most - member.low - member.width if msb_first else member.low
            bits = tuple(range(low + member.width - 1, low - 1, -1))
            if bits != item.bits:
                found.append(
                    _problem(
                        member.item,
                        name,
                        f"'{member.name}' at {plural('bit', len(bits))} {spans(bits)}",
                        f"{plural('bit', item.width)} {spans(item.bits)} of {register.name}",
                        at_value=False,
                    )
                )
        return found

    return min(wrong(False), wrong(True), key=len), len(known)


def _width_hint(value: int, field: Field) -> str:
    ones = bin(value).count("1")
    return f" of {many(ones, 'bit')}" if ones != field.width else ""


def _judge_option(meant: Meant, field: Field, value: int) -> Iterator[_Found]:
    code = meant.option
    if code is None:
        yield from _fits(field, value)
        return
    if value in (code, deposit(code, field.bits)):
        return
    same = [
        e.code
        for m in field.meanings
        for e in m.entries.values()
        if flat(e.name) == flat(meant.option_name)
    ]
    if value in same or value in [deposit(c, field.bits) for c in same]:
        return
    yield _Found(
        f"0x{value:X} for '{meant.option_name}'",
        f"code {code} (0x{deposit(code, field.bits):X} in place) of {field.ref}",
        right=deposit(code, field.bits) if value >> field.width else code,
    )


def _fits(field: Field, value: int) -> Iterator[_Found]:
    mask = mask_of(field.bits)
    if value >> field.width and value & ~mask:
        yield _Found(
            f"0x{value:X}",
            f"a code of {many(field.width, 'bit')} for {field.ref}, "
            f"0..{(1 << field.width) - 1}, or bits within 0x{mask:X}",
        )


# --- comments -----------------------------------------------------------------------------------
_HEX = re.compile(r"\s*(?:=\s*)?(0[xX][0-9a-fA-F]+)\s*(?:[.,;)]\s*)?")
_SPAN = r"\d{1,2}(?:\s*(?:\.\.|:|-|to)\s*\d{1,2})?(?![\w.])"
_BITS = re.compile(rf"\bbits?\s*\[?({_SPAN}(?:\s*(?:,|and)\s*{_SPAN})*)", re.IGNORECASE)
_QUANTITY = re.compile(
    r"(?<![\w.])([-+]?\d+(?:\.\d+)?\s*(?:[fpnuµmkMG]?(?:V|A|s|Hz|ohm|Ω|F|H|C|W)|degC|V/V|%))(?![\w/])"
)


def _judge_comment(item: Define, meant: Meant, value: int) -> Iterator[_Found]:
    """A comment that is a number, names bits or states a physical value must agree with the word."""
    hexed = _HEX.fullmatch(item.comment)
    if hexed and int(hexed[1], 16) != value:
        yield _Found(f"0x{value:X} beside the comment {hexed[1]}", "the same number in both")
    bits = _BITS.search(item.comment)
    if bits and meant.field is not None and meant.kind in ("mask", "field", "shift", "bit"):
        said: set[int] = set()
        for ends in re.findall(_SPAN, bits[1]):
            high, low = sorted(map(int, (re.findall(r"\d+", ends) * 2)[:2]), reverse=True)
            said |= set(range(low, high + 1))
        ours = meant.field.bits
        if said != set(ours):
            yield _Found(
                f"a comment that says {plural('bit', len(said))} {spans(sorted(said, reverse=True))}",
                f"{plural('bit', len(ours))} {spans(ours)} of {meant.field.register}",
            )
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
) -> Iterator[_Found]:
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
    if held and not any(r.band is not None and _agrees(stated, r.band) for _, r in held):
        said = ", ".join(dict.fromkeys(f"{f.name} {r.label}" for f, r in held))
        text = " / ".join(map(str, stated))
        yield _Found(f"a comment that says {text}", f"what the number holds: {said}")


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


# --- across definitions -------------------------------------------------------------------------
def _overlaps(known: list[tuple[Define, Meant]], name: str) -> Iterator[Problem]:
    """Masks of two fields of one register that share bits, as the header has them."""
    seen: dict[str, list[tuple[Define, Field, int]]] = {}
    for item, meant in known:
        if meant.kind != "mask" or meant.field is None or item.value is None:
            continue
        if item.value == (1 << meant.field.width) - 1 and min(meant.field.bits) != 0:
            continue  # a mask that is meant to be shifted
        others = seen.setdefault(meant.register.name, [])
        for other, field, mask in others:
            shared = mask & item.value
            if shared and field is not meant.field:
                yield _problem(
                    item,
                    name,
                    f"mask 0x{item.value:X}, which shares 0x{shared:X} with {other.name} (line {other.line})",
                    f"masks of {meant.register.name} without common bits",
                )
        others.append((item, meant.field, item.value))


def _twice(items: list[Define], name: str) -> Iterator[Problem]:
    """One name with two values, outside conditional sections or in them: at least worth a look."""
    first: dict[str, Define] = {}
    for item in items:
        other = first.setdefault(item.name, item)
        if other is not item and other.value != item.value:
            yield Problem(
                _place(item, name, at_value=False),
                f"'{item.name}' again with another value (line {other.line})",
                "one value for a name, unless a condition chooses between them",
                "",
                item.name,
                "warning",
            )
