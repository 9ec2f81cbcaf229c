"""Scales in whole numbers, as in C (`cheader.scales`): codes to a value with its unit, and back, exact.

timing::dead_time::to_ns(code)       the typical value of a code
timing::dead_time::from_ns(value)    the code for a value, and whether the chip can do it
"""

from __future__ import annotations

from ...chip.model import Field, Joined
from ..scales import Conversion, WholeScale, conversions
from .either import Either


def write_conversions(lang: Either, item: Field | Joined, ref: str, *, writable: bool) -> list[str]:
    """The functions of one field or joined value, for its module."""
    lines: list[str] = []
    for one in conversions(item):
        if one.line is None:
            continue  # the sheet has noted it
        case = f"case{one.case}_" if one.case else ""
        unit = one.line.unit.lower()
        kind = lang.integer(one.line.bits, signed=one.line.signed)
        small = lang.uint(item.width)
        body = _to(lang, one, one.line, item.width)
        lines += lang.function(f"{case}to_{unit}", [("code", small)], kind, body, one.told_to(ref))
        if writable and one.free is not None:
            body = _from(lang, one, one.line, one.free, item.width)
            result = lang.coded(small)
            lines += lang.function(
                f"{case}from_{unit}", [("value", kind)], result, body, one.told_from(ref)
            )
    return lines


def _to(lang: Either, one: Conversion, line: WholeScale, width: int) -> list[str]:
    kind = lang.integer(line.bits, signed=line.signed)
    code = "code"
    if one.scale.signed:
        # two's complement: with its sign turned a code counts from the lowest
        sign = 1 << (width - 1)
        turned = (
            f"{lang.as_integer('code', lang.uint(max(width, 32)))} ^ {lang.number(sign, width)}"
        )
        code = f"{lang.as_integer(f'({turned})', kind)} - {lang.literal(sign, kind)}"
    lines = [lang.let_of("number", kind, code if one.scale.signed else lang.as_integer(code, kind))]
    term = "number" if line.step == 1 else f"(number * {lang.literal(line.step, kind)})"
    return [
        *lines,
        lang.give(f"{lang.literal(line.offset, kind)} + {term}" if line.offset else term),
    ]


def _from(
    lang: Either, one: Conversion, line: WholeScale, free: WholeScale, width: int
) -> list[str]:
    kind, plain = (
        lang.integer(line.bits, signed=line.signed),
        lang.integer(line.bits, signed=False),
    )
    low, high = free.ends
    step = abs(line.step)
    first, last = lang.literal(low, kind), lang.literal(high, kind)
    least = -(1 << (line.bits - 1)) if line.signed else 0
    most = (1 << (line.bits - 1 if line.signed else line.bits)) - 1
    tests = [f"(value >= {first})"] if low > least else []
    tests += [f"(value <= {last})"] if high < most else []
    span = lang.literal(high - low, plain)
    apart = lang.less(lang.as_integer("value", plain), lang.as_integer(first, plain))
    lines = [
        lang.let_of("inside", lang.flag(), " && ".join(tests) or "true"),
        lang.let_of("distance", plain, lang.choice("inside", apart, lang.choice(f"value > {first}", span, lang.literal(0, plain)))),
    ]  # fmt: skip
    steps = "distance"
    if step > 1:
        size = lang.literal(step, plain)
        lines += [
            lang.let_of("steps", plain, f"distance / {size}"),
            lang.let_of("rest", plain, f"distance % {size}"),
        ]
        if one.rule is not None and one.rule.always:
            more = f"rest != {lang.literal(0, plain)}" if one.up else ""
        else:
            more = f"rest {'>=' if one.up else '>'} ({size} - rest)"
        if more:
            chosen = lang.choice(more, lang.literal(1, plain), lang.literal(0, plain))
            lines.append(lang.let_of("taken", plain, f"steps + {chosen}"))
        else:
            lines.append(lang.unused("rest"))
        steps = "taken" if more else "steps"
    begin = (free.first if line.step > 0 else free.last) % (1 << width)
    start = lang.literal(begin, plain)
    upwards = f"{start} + {steps}" if begin else steps
    code = upwards if line.step > 0 else lang.less(start, steps)
    mask = lang.literal((1 << width) - 1, plain)
    made = lang.narrow(f"({code}) & {mask}", width)
    return [*lines, *lang.give_coded(made, "inside", lang.uint(width))]
