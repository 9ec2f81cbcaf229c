"""Between codes and what they mean: labels and physical values one way, people's words the other.

Nothing is silently rounded: `choose` returns what was asked, what the chip can do, the error
between them and why it went that way (`parameters.ROUNDING`); a value outside what the chip can do is refused with the nearest choice.
"""

from __future__ import annotations

import re
from fractions import Fraction
from typing import TYPE_CHECKING, Protocol

from regmap.record import dataclass, replace

from ..document.schema import read_int
from ..errors import CallError, closest
from ..expr import Env, Expr, evaluate
from ..parameters import rounding_of, switched_on
from ..quantity import NONE, Band, Dim, Quantity, dimension_name, many, parse, show, value_name
from .model import Entry, Meaning, Scale

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator


class Valued(Protocol):
    """A field, a joined or an external value."""

    @property
    def name(self) -> str: ...
    @property
    def width(self) -> int: ...
    @property
    def meanings(self) -> tuple[Meaning, ...]: ...


@dataclass(frozen=True, slots=True)
class Reading:
    """What one code means. `band` is the physical value in base units, where there is one.

    `defined` is False where the map gives the field meanings but none for this code; `forbidden` is
    why the map says that it must not be set.
    """

    code: int
    name: str = ""
    text: str = ""
    band: Band | None = None
    defined: bool = True
    forbidden: str = ""

    def is_on(self, role: str = "") -> bool:
        """Whether a switch that reads so is on (`parameters.switched_on`)."""
        return switched_on(self.name, self.code, role)

    @property
    def label(self) -> str:
        """Name and value for people: `strong (60 mA)`, `60 mA`, `off`, or the bare code."""
        value = show(self.band.typ, self.band.dim) if self.band is not None else ""
        if (
            self.name
            and self.band is not None
            and self.name != value_name(self.band.typ, self.band.dim)
        ):
            if self.band.dim == NONE and self.name[0].isdigit():
                return self.name  # 50% says more than 0.5
            return f"{self.name} ({value})"
        return (
            value or self.name or (str(self.code) if self.defined else f"{self.code} (not defined)")
        )


@dataclass(frozen=True, slots=True)
class Choice:
    """A value as asked and the code that serves it; `error` is (chosen - asked) / asked, if asked as a quantity.

    `bound` is set where a limit was asked (`>= 200 ns`, `max`), which any of several codes would
    meet. `why` tells of the way a wish between two options went.
    """

    code: int
    asked: str
    reading: Reading
    error: Fraction | None = None
    bound: bool = False
    why: str = ""

    @property
    def kept(self) -> bool:
        """Whether the wish says more than the code that serves it, and so is kept as it was typed."""
        return bool(self.error) or self.bound

    @property
    def told(self) -> str:
        """The wish beside what was chosen, for people: `asked 800 ns, off by +25 %`; "" where they are one."""
        if not self.kept:
            return ""
        error = self.error or 0
        off = f", off by {'+' * (error > 0)}{show(error, NONE, 3, '%')}" if error else ""
        return f"asked {self.asked}{off}" + (f"; {self.why}" if self.why else "")


def meaning_of(item: Valued, env: Env | None) -> Meaning | None:
    """The meaning in force: the first whose condition holds or has none.

    Where an earlier condition hangs on something unknown the answer is None.
    """
    for meaning in item.meanings:
        if meaning.when is None:
            return meaning
        truth = evaluate(meaning.when, env) if env is not None else None
        if truth is None:
            return None
        if truth:
            return meaning
    return None


def cases(item: Valued, code: int, env: Env | None) -> list[tuple[Expr | None, Reading]]:
    """What `code` can mean where that hangs on something not known: (condition, reading) in order; the
    last condition may be None, which is: otherwise. One row or none where it is known."""
    return [(m.when, in_meaning(m, code, item.width)) for m in _possible(item, env)]


def scale_code(scale: Scale, code: int, width: int) -> int:
    """The code as a number: two's complement where the scale is signed."""
    return code - (1 << width) if scale.signed and code >> (width - 1) else code


def read(item: Valued, code: int, env: Env | None = None) -> Reading:
    """What `code` means in `item`; with several meanings and no `env`, only what needs none."""
    if not item.meanings:
        return Reading(code)
    meaning = meaning_of(item, env)
    if meaning is None:
        return Reading(
            code, text="its meaning depends on " + ", ".join(_conditions(item)), defined=True
        )
    return in_meaning(meaning, code, item.width)


def _conditions(item: Valued) -> list[str]:
    names = [
        n
        for m in item.meanings
        if m.when is not None
        for n in m.when.names()
        if "." in n or n == "supply"
    ]
    return list(dict.fromkeys(names)) or ["a condition that is not known"]


#: Readings by the identity of their meaning, code and width; the meaning is kept, so its identity stays its own.
_KNOWN: dict[tuple[int, int, int], tuple[Meaning, Reading]] = {}
_KNOWN_MOST = 1 << 15


def in_meaning(meaning: Meaning, code: int, width: int) -> Reading:
    """What `code` means under one meaning."""
    key = id(meaning), code, width
    found = _KNOWN.get(key)
    if found is None or found[0] is not meaning:
        if len(_KNOWN) >= _KNOWN_MOST:
            _KNOWN.clear()
        found = _KNOWN[key] = meaning, _in_meaning(meaning, code, width)
    return found[1]


def _in_meaning(meaning: Meaning, code: int, width: int) -> Reading:
    entry = meaning.entries.get(code)
    if entry is not None:
        return Reading(code, entry.name, entry.text, entry.band, forbidden=entry.forbidden)
    if meaning.scale is not None:
        number = scale_code(meaning.scale, code, width)
        if meaning.scale.first <= number <= meaning.scale.last:
            return Reading(code, band=scale_band(meaning.scale, number))
    return Reading(code, defined=False)


def scale_band(scale: Scale, number: int) -> Band:
    """min/typ/max of a scaled value."""
    typ = scale.offset + scale.step * number
    around = abs(typ) * scale.tolerance + scale.absolute
    return Band(typ - around, typ, typ + around, scale.dim, "min/typ/max" if around else "typ")


def options(item: Valued, env: Env | None = None, limit: int = 4096) -> Iterator[Reading]:
    """Every defined code in order of code, `limit` at most."""
    meaning = meaning_of(item, env)
    if meaning is None and item.meanings:
        meaning = item.meanings[-1]
    if meaning is None:
        for code in range(min(1 << item.width, limit)):
            yield Reading(code)
        return
    if meaning.scale is None:
        for code in sorted(meaning.entries):
            yield in_meaning(meaning, code, item.width)
        return
    for code in range(min(1 << item.width, limit)):
        reading = in_meaning(meaning, code, item.width)
        if reading.defined:
            yield reading


def options_by_case(
    item: Valued, env: Env | None, limit: int = 4096
) -> list[tuple[Expr | None, list[Reading]]]:
    """`options` under every meaning that may be in force: one row where that is known."""
    found = []
    for meaning in _possible(item, env):
        alone = _Alone(item.name, item.width, (replace(meaning, when=None),))
        found.append((meaning.when, list(options(alone, env, limit))))
    return found


@dataclass(frozen=True, slots=True)
class _Alone:
    """A value with one of its meanings."""

    name: str
    width: int
    meanings: tuple[Meaning, ...]


_BOUND = re.compile(r"\s*(>=|<=|at least|at most)?\s*(.*)", re.DOTALL)


def choose(item: Valued, text: str, env: Env | None = None, *, allowed: bool = False) -> Choice:
    """The code for what a person wrote: an option's name, `60 mA`, `>= 200 ns`, `max`, `0x1F`, `3`.

    Names win over numbers; 0x and 0b are always raw codes. Where several meanings may be in force
    only what all of them agree on can be chosen. A code that the map forbids is chosen only where it is
    `allowed`. Raises CallError with the nearest choice.
    """
    choice = _chosen(item, text, env)
    if choice.reading.forbidden and not allowed:
        raise CallError(refusal(item, choice.reading))
    return choice


def refusal(item: Valued, reading: Reading) -> str:
    """Why a forbidden code is refused, and what takes it all the same."""
    name = getattr(item, "ref", item.name)
    return (
        f"{name} = {reading.label} (code {reading.code}) must not be set: {reading.forbidden}; where it is "
        f"meant, allow {name} with a reason"
    )


def _chosen(item: Valued, text: str, env: Env | None) -> Choice:
    asked = text.strip()
    if not asked:
        raise CallError(f"no value for {item.name}")
    possible = _possible(item, env)
    if len(possible) < 2:
        return _choose(item, possible[0] if possible else None, asked)
    found = [_choose(item, meaning, asked) for meaning in possible]
    if len({choice.code for choice in found}) > 1:
        labels = ", ".join(dict.fromkeys(f"code {c.code}" for c in found))
        raise CallError(
            f"{asked!r} for {item.name} depends on {', '.join(_conditions(item))}, which is not "
            f"known here ({labels}); set that first, or give a raw code such as 0x{found[0].code:X}",
            part=asked,
        )
    return replace(found[0], reading=read(item, found[0].code, env))


def _possible(item: Valued, env: Env | None) -> list[Meaning]:
    """The meanings that may be in force: one where that is known; with none known, any of them."""
    found = []
    for meaning in item.meanings:
        truth: bool | None = True
        if meaning.when is not None:
            truth = evaluate(meaning.when, env) if env is not None else None
        if truth is not False:
            found.append(meaning)
        if truth:
            break
    return found


def _choose(item: Valued, meaning: Meaning | None, asked: str) -> Choice:
    if meaning is not None:
        named = _by_name(item, meaning, asked)
        if named is not None:
            return named
    code = read_int(asked)
    if code is not None:
        return _raw(item, meaning, asked, code)
    bound, rest = _BOUND.fullmatch(asked).groups()  # type: ignore[union-attr]
    try:
        quantity = parse(rest)
    except CallError as error:
        raise _no_such(item, meaning, asked, error) from None
    if meaning is None or meaning.dim is None:
        choices, expected, near = _hint(item, meaning, asked)
        raise CallError(
            f"{item.name} has no physical values; {asked!r} is not one of its choices{choices}",
            expected,
            near,
            part=asked,
        )
    if quantity.dim != meaning.dim:
        near = _hint(item, meaning, asked)[2]
        raise CallError(
            f"{asked!r} is a {dimension_name(quantity.dim)}; {item.name} is a {dimension_name(meaning.dim)}",
            # a unit that is only begun: metres, on the way to milliamperes
            nearest=near if near.startswith(asked) else "",
            part=asked,
        )
    return _by_value(item, meaning, asked, quantity, bound or "")


def _by_name(item: Valued, meaning: Meaning, asked: str) -> Choice | None:
    for match in (str.__eq__, lambda a, b: a.casefold() == b.casefold()):
        for entry in meaning.entries.values():
            if entry.name and match(entry.name, asked):
                return Choice(
                    entry.code,
                    asked,
                    in_meaning(meaning, entry.code, item.width),
                    _error(entry, asked),
                )
    if asked in ("min", "max") and meaning.dim is not None:
        ordered = sorted(_valued(item, meaning), key=lambda r: (r[0], r[1].code))
        if ordered:
            best = ordered[0] if asked == "min" else ordered[-1]
            same = [r for v, r in ordered if v == best[0]]
            return Choice(same[0].code, asked, same[0], bound=True)
    return None


def _error(entry: Entry, asked: str) -> Fraction | None:
    if entry.band is None or not entry.band.typ:
        return None
    try:
        quantity = parse(asked)
    except CallError:
        return None
    if quantity.dim != entry.band.dim or not quantity.value:
        return None
    return (entry.band.typ - quantity.value) / abs(quantity.value)


def _raw(item: Valued, meaning: Meaning | None, asked: str, code: int) -> Choice:
    width = item.width
    if code < 0 and meaning is not None and meaning.scale is not None and meaning.scale.signed:
        code += 1 << width
    if not 0 <= code < 1 << width:
        raise CallError(
            f"{asked} does not fit {item.name}: {many(width, 'bit')} hold 0..{(1 << width) - 1}"
        )
    return Choice(code, asked, in_meaning(meaning, code, width) if meaning else Reading(code))


def _valued(item: Valued, meaning: Meaning) -> list[tuple[Fraction, Reading]]:
    """Every entry with a value, and the ends of the scale."""
    scale = meaning.scale
    return _with_scale(item, meaning, () if scale is None else (scale.first, scale.last))


def _candidates(item: Valued, meaning: Meaning, value: Fraction) -> list[tuple[Fraction, Reading]]:
    """Every entry with a value, the ends of the scale, and its codes next to `value`."""
    scale = meaning.scale
    numbers: tuple[int, ...] = ()
    if scale is not None:
        exact = (value - scale.offset) / scale.step
        numbers = (scale.first, exact.numerator // exact.denominator, scale.last)
    return sorted(_with_scale(item, meaning, numbers), key=lambda r: (r[0], r[1].code))


def _with_scale(
    item: Valued, meaning: Meaning, near: Iterable[int]
) -> list[tuple[Fraction, Reading]]:
    """Every entry with a value, and the first codes of the scale on both sides of `near` that no
    entry has taken from it (a code 0 that means `off`)."""
    rows = {
        e.code: (e.band.typ, in_meaning(meaning, e.code, item.width))
        for e in meaning.entries.values()
        if e.band is not None and not e.forbidden
    }
    scale = meaning.scale
    if scale is not None:
        for start in near:
            for number, way in ((start, -1), (start + 1, 1)):
                number = max(scale.first, min(scale.last, number))
                code = number % (1 << item.width)
                while scale.first <= number <= scale.last and code in meaning.entries:
                    number += way
                    code = number % (1 << item.width)
                if scale.first <= number <= scale.last and code not in rows:
                    typ = scale.offset + scale.step * number
                    rows[code] = (typ, in_meaning(meaning, code, item.width))
    return list(rows.values())


def _by_value(item: Valued, meaning: Meaning, asked: str, quantity: Quantity, bound: str) -> Choice:
    value, dim = quantity.value, quantity.dim
    rows = _candidates(item, meaning, value)
    if not rows:
        raise CallError(f"{item.name} has no physical values")
    low, high = rows[0], rows[-1]
    inside = low[0] <= value <= high[0]
    other = "" if inside else _other_case(asked, low[0], high[0])
    below = [r for r in rows if r[0] <= value]
    above = [r for r in rows if r[0] >= value]
    if other or not (above if bound in _UP else below if bound in _DOWN else inside):
        end = low if value < low[0] else high
        raise CallError(
            f"{asked} is outside what {item.name} can do, {show(low[0], dim)}..{show(high[0], dim)}",
            nearest=other or end[1].label,
        )
    why = ""
    if bound in _UP:
        best = above[0]
    elif bound in _DOWN:
        best = next(r for r in below if r[0] == below[-1][0])
    else:
        best, why = _between(item, value, dim, below, above)
    error = (best[0] - value) / abs(value) if value else Fraction(0)
    return Choice(best[1].code, asked, best[1], error, bool(bound), why)


_UP, _DOWN = (">=", "at least"), ("<=", "at most")


def _between(
    item: Valued,
    value: Fraction,
    dim: Dim,
    below: list[tuple[Fraction, Reading]],
    above: list[tuple[Fraction, Reading]],
) -> tuple[tuple[Fraction, Reading], str]:
    """The option for a wish that lies between two, and why; one that is shown as the wish is the wish."""
    under, over = next(r for r in below if r[0] == below[-1][0]), above[0]
    for row in (under, over):
        if row[0] == value or show(row[0], dim) == show(value, dim):
            return row, ""
    gap = (value - under[0]) - (over[0] - value)
    rule = rounding_of(getattr(item, "role", ""))
    if rule is not None and (rule.always or not gap):
        best, rest = (over, under) if rule.way == "up" else (under, over)
        return best, f"{rule.way} and not to {rest[1].label}: {rule.why}"
    if not gap:
        return under, f"{over[1].label} is as near"
    return (under if gap < 0 else over), ""


def _other_case(asked: str, low: Fraction, high: Fraction) -> str:
    """What was asked with m for M or M for m, if that lies in what can be done: a slip of the shift key."""
    swapped = re.sub(r"(?<=[\d\s.])([mM])(?=[A-Za-zΩ])", lambda m: m[1].swapcase(), asked, count=1)
    if swapped == asked:
        return ""
    rest = _BOUND.fullmatch(swapped)[2]  # type: ignore[index]
    try:
        return swapped if low <= parse(rest).value <= high else ""
    except CallError:
        return ""


def _no_such(item: Valued, meaning: Meaning | None, asked: str, error: CallError) -> CallError:
    choices, expected, near = _hint(item, meaning, asked)
    if re.match(r"[\d.+-]", asked) and meaning is not None and meaning.dim not in (None, NONE):
        # of a decimal comma the number's own hint is the right one: the name most like 0,2V may be 2V
        found = f"{asked!r} is not a value of {item.name} ({error})"
        if "," in asked:
            return CallError(found, part=asked)
        return CallError(found + choices, expected, near, part=asked)
    return CallError(
        f"{asked!r} is not a choice of {item.name}{choices}", expected, near, part=asked
    )


def _hint(item: Valued, meaning: Meaning | None, asked: str) -> tuple[str, str, str]:
    """The choices where they are few, else what was expected; and the nearest choice."""
    names = [e.name for e in meaning.entries.values() if e.name] if meaning else []
    near = closest(asked.replace(" ", ""), names)
    if near:
        return "", "", near
    if names and len(names) <= 8:
        return f"; choices: {', '.join(names)}", "", ""
    expected = f"one of {len(names)} options" if names else f"a code 0..{(1 << item.width) - 1}"
    return "", expected, ""
