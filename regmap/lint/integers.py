"""Whole numbers of C with their types: constants, promotions, casts and operators (ISO C11 6.3.1, 6.4.4.1, 6.5).

    binary("-", literal("0", "U", ILP32), literal("1", "", ILP32), ILP32)    CNumber(4294967295, UINT)

What the standard leaves to the compiler is done as gcc does it ("C implementation-defined behavior: integers" of its
manual): two's complement, numbers that are too large wrap, `>>` keeps the sign.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from typing import NamedTuple


class Unreadable(Exception):  # noqa: N818 (never leaves the room)
    """Why a value cannot be known."""


class IntKind(NamedTuple):
    """An integer type by what decides values: its bits and whether it has a sign."""

    bits: int
    signed: bool


class CNumber(NamedTuple):
    value: int
    kind: IntKind


class IntWidths(NamedTuple):
    """How many bits `int`, `long` and a pointer have."""

    int_bits: int
    long_bits: int
    size_bits: int

    @property
    def int(self) -> IntKind:
        return IntKind(self.int_bits, True)


#: Cortex-M and other parts of 32 bits; hosts; AVR, MSP430 and what else has an int of 16 bits
ILP32, LP64, IP16 = IntWidths(32, 32, 32), IntWidths(32, 64, 64), IntWidths(16, 32, 16)
#: by the names that they have in the trade; the likeliest first
DATA_MODELS = {"ILP32": ILP32, "LP64": LP64, "IP16": IP16, "LLP64": IntWidths(32, 32, 64)}
#: conditions of the preprocessor: all numbers are (u)intmax_t (ISO C11 6.10.1)
INTMAX = IntWidths(64, 64, 64)

TYPE_WORDS = {"unsigned", "signed", "int", "long", "short", "char", "bool", "_Bool"}
_QUALIFIERS = {"const", "volatile"}
_EXACT = re.compile(r"(u?)int(?:_least)?(8|16|32|64)_t|(?:__)?([us])(8|16|32|64)")
BOOL = IntKind(1, False)


def is_type_word(name: str) -> bool:
    return name in TYPE_WORDS or name.endswith("_t") or _EXACT.fullmatch(name) is not None


def type_of(words: Sequence[str], model: IntWidths, named: Mapping[str, IntKind]) -> IntKind | None:
    """The type that words of a declaration or cast name; None where it is not known. `named` are those of the file."""
    told = [w for w in words if w not in _QUALIFIERS]
    if len(told) == 1:
        if told[0] in named:
            return named[told[0]]
        exact = _EXACT.fullmatch(told[0])
        if exact is not None:
            return IntKind(int(exact[2] or exact[4]), exact[1] == "" and exact[3] != "u")
        if told[0] in ("size_t", "uintptr_t", "ptrdiff_t", "intptr_t", "ssize_t"):
            return IntKind(model.size_bits, told[0] not in ("size_t", "uintptr_t"))
        if told[0] in ("uintmax_t", "intmax_t"):
            return IntKind(64, told[0] == "intmax_t")
        if told[0] in ("bool", "_Bool"):
            return BOOL
    if not told or any(w not in TYPE_WORDS for w in told):
        return None
    bits = model.int_bits
    if "char" in told:
        bits = 8
    elif "short" in told:
        bits = 16
    elif "long" in told:
        bits = 64 if told.count("long") > 1 else model.long_bits
    return IntKind(bits, "unsigned" not in told)


def converted(value: int, kind: IntKind) -> CNumber:
    """The number as that type holds it (ISO C11 6.3.1.2, 6.3.1.3)."""
    if kind == BOOL:
        return CNumber(int(value != 0), kind)
    cut = value & (1 << kind.bits) - 1
    return CNumber(cut - (1 << kind.bits) if kind.signed and cut >> kind.bits - 1 else cut, kind)


def _fitting(value: int, kinds: Sequence[IntKind]) -> CNumber:
    for kind in kinds:
        if converted(value, kind).value == value:
            return CNumber(value, kind)
    raise Unreadable("a number too long")


def literal(digits: str, suffix: str, model: IntWidths) -> CNumber:
    """A constant: of the first type that holds it, by its base and suffix (ISO C11 6.4.4.1, table)."""
    if re.fullmatch(r"0\d+", digits):
        if not re.fullmatch(r"[0-7]+", digits):
            raise Unreadable(f"{digits!r} is no octal number")
        value = int(digits, 8)
    elif len(digits) > 100:
        raise Unreadable("a number too long")
    else:
        value = int(digits, 0)
    told = suffix.lower()
    sizes = (model.int_bits, model.long_bits, 64)[told.count("l") :]
    signs = (False,) if "u" in told else (True, False) if digits[0] == "0" else (True,)
    kinds = [IntKind(b, s) for b in sizes for s in signs]
    return _fitting(value, [*kinds, IntKind(64, False)])


def plain(value: int, model: IntWidths) -> CNumber:
    """A number of which no type is told: an enumerator, an argument."""
    sizes = (model.int_bits, model.long_bits, 64)
    return _fitting(value, [IntKind(b, s) for b in sizes for s in (True, False)])


def promoted(number: CNumber, model: IntWidths) -> CNumber:
    """What is narrower than int becomes int, or unsigned where int cannot hold all of it (ISO C11 6.3.1.1)."""
    if number.kind.bits < model.int_bits:
        return CNumber(number.value, model.int)
    return number


def common(a: IntKind, b: IntKind) -> IntKind:
    """The usual arithmetic conversions of two promoted types (ISO C11 6.3.1.8)."""
    if a.bits == b.bits:
        return IntKind(a.bits, a.signed and b.signed)
    return max(a, b)


def unary(operator: str, of: CNumber, model: IntWidths) -> tuple[CNumber, bool]:
    """The result, and whether its type decided its value."""
    number = promoted(of, model)
    if operator == "!":
        return CNumber(int(not number.value), model.int), False
    exact = {"+": number.value, "-": -number.value, "~": ~number.value}[operator]
    made = converted(exact, number.kind)
    return made, made.value != exact


def binary(operator: str, left: CNumber, right: CNumber, model: IntWidths) -> tuple[CNumber, bool]:
    """The result, and whether types decided its value. Raises Unreadable where C does not define it."""
    a, b = promoted(left, model), promoted(right, model)
    if operator in ("<<", ">>"):
        if not 0 <= b.value < a.kind.bits:
            raise Unreadable(f"a shift by {b.value} of {a.kind.bits} bits")
        exact = a.value << b.value if operator == "<<" else a.value >> b.value
        made = converted(exact, a.kind)
        return made, made.value != exact
    if operator in ("&&", "||"):
        truth = a.value and b.value if operator == "&&" else a.value or b.value
        return CNumber(int(bool(truth)), model.int), False
    kind = common(a.kind, b.kind)
    x, y = converted(a.value, kind), converted(b.value, kind)
    changed = (x.value, y.value) != (a.value, b.value)
    if operator in ("/", "%") and y.value == 0:
        raise Unreadable("a division by zero")
    exact = int(_APPLY[operator](x.value, y.value))
    if operator in _COMPARES:
        return CNumber(exact, model.int), changed
    made = converted(exact, kind)
    return made, changed or made.value != exact


def _quotient(a: int, b: int) -> int:
    """C divides toward zero (ISO C 6.5.5)."""
    return abs(a) // abs(b) * (1 if (a < 0) == (b < 0) else -1)


_COMPARES = {"==", "!=", "<", ">", "<=", ">="}
_APPLY: dict[str, Callable[[int, int], int]] = {
    "|": lambda a, b: a | b,
    "^": lambda a, b: a ^ b,
    "&": lambda a, b: a & b,
    "==": lambda a, b: a == b,
    "!=": lambda a, b: a != b,
    "<": lambda a, b: a < b,
    ">": lambda a, b: a > b,
    "<=": lambda a, b: a <= b,
    ">=": lambda a, b: a >= b,
    "+": lambda a, b: a + b,
    "-": lambda a, b: a - b,
    "*": lambda a, b: a * b,
    "/": _quotient,
    "%": lambda a, b: a - b * _quotient(a, b),
}


# --- macros and functions that everybody has -----------------------------------------------------
WIDE = IntKind(64, False)


def _field_low(mask: int) -> int:
    return (mask & -mask).bit_length() - 1 if mask else 0


def _genmask(high: int, low: int) -> int:
    if high < low or high > 63:
        raise Unreadable(f"GENMASK({high}, {low})")
    return (1 << (high + 1)) - (1 << low)


def _bit(number: int) -> int:
    if number > 63:
        raise Unreadable(f"a shift by {number}")
    return 1 << number


def _of_width(name: str) -> IntKind | None:
    made = re.fullmatch(r"(U?)INT(8|16|32|64|MAX)_C", name)
    if made is None:
        return None
    return IntKind(64 if made[2] == "MAX" else int(made[2]), not made[1])


#: how their names vary: with the width or type of the result, for constants, by registers
_FAMILY = re.compile(
    r"(?:__|REG_)?(BIT|_BV|GENMASK|FIELD_PREP|FIELD_GET|FIELD_MAX)_?(?:ULL|UL|LL|U|L)?(?:8|16|32|64|128)?(?:_?CONST)?"
)
#: macros that embedded C knows in general, by name and number of arguments
_MACROS: dict[tuple[str, int], Callable[..., int]] = {
    ("BIT", 1): _bit,
    ("_BV", 1): _bit,
    ("GENMASK", 2): _genmask,
    ("FIELD_PREP", 2): lambda m, v: v << _field_low(m) & m,
    ("FIELD_GET", 2): lambda m, w: (w & m) >> _field_low(m),
    ("FIELD_MAX", 1): lambda m: m >> _field_low(m),
}
_LIMIT = re.compile(r"(U?)INT(8|16|32|64)_(MAX|MIN)")
#: functions of compilers that find a bit (gcc's manual, "bit operation builtins")
_BUILTIN = re.compile(r"__builtin_(ffs|ctz|clz|popcount)(l{0,2})")


def limit_of(name: str) -> CNumber | None:
    """The ends of the exact types (ISO C11 7.20.2); None for other names."""
    made = _LIMIT.fullmatch(name)
    if made is None:
        return None
    bits, signed = int(made[2]), not made[1]
    if made[3] == "MIN":
        return CNumber(-(1 << bits - 1), IntKind(max(bits, 32), True)) if signed else None
    return CNumber((1 << bits - signed) - 1, IntKind(bits, signed))


def known_call(name: str, arguments: Sequence[CNumber], model: IntWidths) -> CNumber:
    """A macro or function that is not of the file. Raises Unreadable where nobody knows it."""
    values = [a.value for a in arguments]
    kind, builtin = _of_width(name), _BUILTIN.fullmatch(name)
    if len(values) == 1 and kind is not None:
        return promoted(converted(values[0], kind), model)
    if len(values) == 1 and builtin is not None:
        bits = (model.int_bits, model.long_bits, 64)[len(builtin[2])]
        return CNumber(_bit_found(builtin[1], values[0] & (1 << bits) - 1, bits), model.int)
    known = _MACROS.get((name, len(values)))
    if known is None and (family := _FAMILY.fullmatch(name)) is not None:
        known = _MACROS.get((family[1], len(values)))
    if known is None:
        raise Unreadable(f"{name!r} is not a macro of this file with a number")
    if any(not 0 <= a < 1 << 64 for a in values):
        raise Unreadable(f"{name} of {values}")
    return CNumber(known(*values), WIDE)


def _bit_found(what: str, value: int, bits: int) -> int:
    if what == "popcount":
        return value.bit_count()
    if what == "ffs":
        return (value & -value).bit_length()
    if not value:
        raise Unreadable(f"{what} of 0")
    return _field_low(value) if what == "ctz" else bits - value.bit_length()
