"""Scales in whole numbers, without floating point: codes to a value with its unit, and back.

    gd_timing_dead_time_to_ns(code)             the typical value of a code
    gd_timing_dead_time_from_ns(value, &code)   the code for a value; false where the chip cannot do it

The unit is the coarsest in which every code is a whole number, so both are exact. The way back takes
the code that the library would (`parameters.ROUNDING`): a dead time up, a threshold toward protection.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import lru_cache

from regmap.record import dataclass

from ..chip.model import Field, Joined, Meaning, Scale
from ..parameters import Rounding, rounding_of
from .chosen import UNITS
from .names import word
from .sheet import Sheet
from .text import count, number, utype


@dataclass(frozen=True, slots=True)
class WholeScale:
    """value = offset + step * number, in whole `unit`s, for first <= number <= last."""

    unit: str
    offset: int
    step: int
    first: int
    last: int

    @property
    def ends(self) -> tuple[int, int]:
        one, other = self.offset + self.step * self.first, self.offset + self.step * self.last
        return (one, other) if one < other else (other, one)

    @property
    def signed(self) -> bool:
        return self.offset < 0 or self.step < 0 or self.ends[0] < 0

    @property
    def bits(self) -> int:
        """Bits of the type to compute in: 32, or 64; 0 where it would take more."""
        low, high = self.ends
        most = max(abs(low), abs(high), abs(self.offset), abs(self.step))
        room = 31 if self.signed else 32
        return 32 if most < 1 << room else 64 if most < 1 << 63 else 0


def line_of(scale: Scale) -> WholeScale | None:
    """The scale in the coarsest unit in which all of it is whole; None where there is none."""
    step, offset = scale.step, scale.offset
    for unit, size in UNITS.get(scale.dim, ()):
        # whole numbers, divided as such: a division of fractions takes ten times as long
        steps, rest = divmod(step.numerator * size.denominator, step.denominator * size.numerator)
        if rest or not steps:
            continue
        at, rest = divmod(offset.numerator * size.denominator, offset.denominator * size.numerator)
        if not rest:
            return WholeScale(unit, at, steps, scale.first, scale.last)
    return None


@dataclass(frozen=True, slots=True)
class Conversion:
    """One scale of a field or joined value as every language has it: `case` counts from 1 where there are several.

    `line` is None where its values are no whole numbers of a unit; `free` are the codes of the scale that no option
    has taken, None where they do not hang together; `rule` is which way a value between two codes goes.
    """

    meaning: Meaning
    scale: Scale
    line: WholeScale | None
    free: WholeScale | None
    rule: Rounding | None
    case: int

    @property
    def up(self) -> bool:
        return self.rule is not None and self.rule.way == "up"

    def told_to(self, ref: str) -> str:
        """What the way to a value is told as."""
        assert self.line is not None
        taken = sorted(self.meaning.entries)
        but = f" Codes {', '.join(map(str, taken[:8]))} mean something else." if taken else ""
        first, last = self.line.first, self.line.last
        return f"{ref} in {self.line.unit} for a code of its scale, {first} to {last}.{but}{_about(self.meaning)}"

    def told_from(self, ref: str) -> str:
        """What the way back is told as."""
        assert self.line is not None
        rule = self.rule
        way = (
            f"{rule.way} where no code has it"
            if rule is not None and rule.always
            else "to the nearest"
        )
        return f"The code of {ref} for a value in {self.line.unit}, {way}.{_about(self.meaning)}"


def conversions(item: Field | Joined) -> Iterator[Conversion]:
    """One for each scale."""
    several = sum(m.scale is not None for m in item.meanings) > 1
    for index, meaning in enumerate(m for m in item.meanings if m.scale is not None):
        assert meaning.scale is not None
        line = line_of(meaning.scale)
        line = line if line is not None and line.bits else None
        yield Conversion(
            meaning,
            meaning.scale,
            line,
            _free(meaning, line, item.width) if line is not None else None,
            rounding_of(getattr(item, "role", "")),
            index + 1 if several else 0,
        )


def write_scales(sheet: Sheet) -> None:
    """The routines of every field and joined value with a scale."""
    opened = False
    for item, ref, register in _items(sheet):
        for one in conversions(item):
            if one.line is None:
                sheet.names.note(
                    f"the values of {ref} are no whole numbers of a unit: no conversion"
                )
                continue
            if not opened:
                sheet.section(
                    "scales in whole numbers",
                    "to: the typical value of a code, exact. from: the code for a value, as the map's tool chooses it; "
                    "false where the value is outside what the chip can do, and then the code of the nearest end.",
                )
                opened = True
            stem = [word(p) for p in ref.split(".")] + ([f"case{one.case}"] if one.case else [])
            _to(sheet, item, ref, stem, one)
            if register is None or register.writable:
                _back(sheet, item, ref, stem, one)


def _items(sheet: Sheet) -> Iterator[tuple[Field | Joined, str, Field | None]]:
    for register in sheet.chip.registers.values():
        for field in register.fields:
            yield field, field.ref, field
    for item in sheet.chip.joined.values():
        fields = [sheet.chip.registers[r].field(n) for r, n in item.fields]
        yield item, item.name, next((f for f in fields if f is not None and not f.writable), None)


def _about(meaning: Meaning) -> str:
    return f" While {meaning.when}." if meaning.when is not None else ""


def _number(value: int, bits: int, *, signed: bool) -> str:
    """A constant of the type that is computed in."""
    text = number(abs(value)) if abs(value) > 0xFFFF else count(abs(value))
    if not signed:
        return text
    return f"{'-' if value < 0 else ''}(int{bits}_t){text}"


def _to(sheet: Sheet, item: Field | Joined, ref: str, stem: list[str], one: Conversion) -> None:
    assert one.line is not None
    kind, lines = _to_lines(one.line, item.width, one.scale.signed)
    sheet.inline(
        f"{kind} {_name(sheet, stem, 'to', one.line.unit, ref)}({utype(item.width)} code)",
        lines,
        one.told_to(ref),
    )


@lru_cache
def _to_lines(line: WholeScale, width: int, twos: bool) -> tuple[str, tuple[str, ...]]:
    """The type of the value, and the routine; many fields of a map share a scale. `twos`: codes of two's complement."""
    bits, signed = line.bits, line.signed
    kind = f"{'' if signed else 'u'}int{bits}_t"
    # sixteen bits where they are enough: on small parts everything else is dear
    small = not signed and line.ends[1] <= 0xFFFF
    code = "(unsigned int)code" if small else f"({kind})code"
    first: list[str] = []
    if twos:
        sign = number(1 << (width - 1), width)
        wide = utype(max(width, 32))
        # the composite has a name before it is cast to a signed type (MISRA C:2012 rule 10.8)
        first = [f"const {wide} turned = ({wide})code ^ {sign};"]
        code = f"(({kind})turned - ({kind}){sign})"
    value = code
    if line.step != 1:
        value = f"({value} * {_number(line.step, bits, signed=signed)})"
    if line.offset:
        value = f"({_number(line.offset, bits, signed=signed)} + {value})"
    if not small:
        return kind, (*first, f"return {value};")
    # computed where it is read, then returned: no cast of a sum to a wider type (MISRA C:2012 rule 10.8)
    return kind, (f"const unsigned int value = {value};", "return value;")


def _name(sheet: Sheet, stem: list[str], way: str, unit: str, ref: str) -> str:
    return sheet.names.lower(*stem, way, unit, of=f"conversion {way} {unit} of {ref}")


def _back(sheet: Sheet, item: Field | Joined, ref: str, stem: list[str], one: Conversion) -> None:
    assert one.line is not None
    if one.free is None:
        sheet.names.note(
            f"{ref}: options lie between the codes of its scale: there is no conversion to a code"
        )
        return
    kind, lines = _back_lines(one.line, one.free, item.width, one.rule)
    sheet.inline(
        f"bool {_name(sheet, stem, 'from', one.line.unit, ref)}({kind} value, {utype(item.width)} *code)",
        lines,
        one.told_from(ref),
    )


@lru_cache
def _back_lines(
    line: WholeScale, free: WholeScale, width: int, rule: Rounding | None
) -> tuple[str, tuple[str, ...]]:
    """The type of the value, and the routine; `free` are the codes of the scale that no option has taken."""
    bits, signed = line.bits, line.signed
    kind, plain = f"{'' if signed else 'u'}int{bits}_t", f"uint{bits}_t"
    small = utype(width)
    low, high = free.ends
    step = abs(line.step)
    up = rule is not None and rule.way == "up"
    where = f"(({plain})value - ({plain}){_number(low, bits, signed=signed)})"
    span = "unsigned int" if high - low <= 0xFFFF else plain
    # a difference has a name before it is cast (MISRA C:2012 rule 10.8)
    apart = [f"    distance = {where};"]
    if span != plain:
        apart = [f"    const {plain} away = {where[1:-1]};", "    distance = (unsigned int)away;"]
    lines = [
        f"{span} distance = 0U;",
        f"{span} steps;",
        f"const bool inside = {_inside(low, high, bits, signed=signed)};",
        "if (inside) {",
        *apart,
        f"}} else if (value > {_number(low, bits, signed=signed)}) {{",
        f"    distance = {number(high - low)};",
        "} else {",
        "    /* below all: the lowest */",
        "}",
    ]
    if step == 1:
        lines.append("steps = distance;")
    else:
        lines.append(f"steps = distance / {number(step)};")
        if rule is not None and rule.always:
            more = f"(distance % {number(step)}) != 0U" if up else ""
        else:
            rest = f"(distance % {number(step)})"
            more = f"{rest} {'>=' if up else '>'} ({number(step)} - {rest})"
        if more:
            lines += [f"if ({more}) {{", "    steps++;", "}"]
    # modulo the field's codes, so that a number below 0 is its two's complement
    start = (free.first if line.step > 0 else free.last) % (1 << width)
    sign = "+" if line.step > 0 else "-"
    code = f"({span}){number(start)} {sign} steps" if start or sign == "-" else "steps"
    mask = number((1 << width) - 1, width)
    lines += [f"*code = ({small})(({code}) & {mask});", "return inside;"]
    return kind, tuple(lines)


def _inside(low: int, high: int, bits: int, *, signed: bool) -> str:
    top = (1 << (bits - 1 if signed else bits)) - 1
    tests = []
    if signed or low:
        tests.append(f"(value >= {_number(low, bits, signed=signed)})")
    if high < top:
        tests.append(f"(value <= {_number(high, bits, signed=signed)})")
    return " && ".join(tests) or "true"


def _free(meaning: Meaning, line: WholeScale, width: int) -> WholeScale | None:
    """The codes of the scale that no option has taken; None where they do not hang together."""
    if not meaning.entries:
        return line
    numbers = {
        n for c in meaning.entries for n in (c, c - (1 << width)) if line.first <= n <= line.last
    }
    if any(e.band is not None for e in meaning.entries.values()):
        return None
    first, last = line.first, line.last
    while first in numbers:
        first += 1
    while last in numbers:
        last -= 1
    if first > last or any(first < n < last for n in numbers):
        return None
    return WholeScale(line.unit, line.offset, line.step, first, last)
