"""Engineering quantities: text to exact numbers with a dimension, and back.

A closed list of units, SI prefixes in their right case, and a dimension for every value, so that
`nC` where `ns` was meant is an error and never a number. Values are kept as exact fractions of
the SI base unit; nothing is rounded before it is shown.

    parse("60 mA")              one value
    parse_band("40..60 mA")     min and max
    parse_band("20 / 25 / 30 mA")   min, typ, max
    parse_band("25 mA +- 20 %")     typ with a tolerance, relative or absolute

A dimension is the tuple of exponents (volt, ampere, second, kelvin, metre); every unit of a motor drive
is a product of those five. Temperatures are kept in degrees Celsius and only ever used as
differences or as table keys.
"""

from __future__ import annotations

import re
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from functools import lru_cache

from regmap.record import dataclass

from .errors import CallError, closest

Dim = tuple[int, int, int, int, int]

NONE: Dim = (0, 0, 0, 0, 0)

#: Every dimension a parameter may have: name -> (exponents, the unit it is shown in).
DIMENSIONS: dict[str, tuple[Dim, str]] = {
    "ratio": (NONE, ""),
    "percent": (NONE, "%"),
    "faults": (NONE, ""),
    "gain": (NONE, "V/V"),
    "voltage": ((1, 0, 0, 0, 0), "V"),
    "current": ((0, 1, 0, 0, 0), "A"),
    "time": ((0, 0, 1, 0, 0), "s"),
    "duration": ((0, 0, 1, 0, 0), "d"),
    "temperature": ((0, 0, 0, 1, 0), "degC"),
    "frequency": ((0, 0, -1, 0, 0), "Hz"),
    "failure rate": ((0, 0, -1, 0, 0), "FIT"),
    "resistance": ((1, -1, 0, 0, 0), "ohm"),
    "conductance": ((-1, 1, 0, 0, 0), "S"),
    "capacitance": ((-1, 1, 1, 0, 0), "F"),
    "inductance": ((1, -1, 1, 0, 0), "H"),
    "charge": ((0, 1, 1, 0, 0), "C"),
    "battery charge": ((0, 1, 1, 0, 0), "Ah"),
    "power": ((1, 1, 0, 0, 0), "W"),
    "energy": ((1, 1, 1, 0, 0), "J"),
    "voltage slew": ((1, 0, -1, 0, 0), "V/s"),
    "current slew": ((0, 1, -1, 0, 0), "A/s"),
    "thermal resistance": ((-1, -1, 0, 1, 0), "K/W"),
    "thermal capacitance": ((1, 1, 1, -1, 0), "J/K"),
    "temperature coefficient": ((0, 0, 0, -1, 0), "1/K"),
    "voltage drift": ((1, 0, 0, -1, 0), "V/K"),
    "length": ((0, 0, 0, 0, 1), "m"),
    "thermal conductivity": ((1, 1, 0, -1, -1), "W/(m K)"),
}

#: Dimension to the unit that its values are kept and shown in; the first of its names decides.
_BY_DIM: dict[Dim, str] = {}
for _name, (_dim, _unit) in DIMENSIONS.items():
    _BY_DIM.setdefault(_dim, _unit)
_DIM_NAMES: dict[Dim, str] = {}
for _name, (_dim, _unit) in DIMENSIONS.items():
    _DIM_NAMES.setdefault(_dim, _name)

_PREFIXES: dict[str, int] = {
    "f": -15,
    "p": -12,
    "n": -9,
    "u": -6,
    "µ": -6,
    "μ": -6,
    "m": -3,
    "": 0,
    "k": 3,
    "M": 6,
    "G": 9,
}

#: unit -> (dimension name, factor to the base unit, may carry a prefix)
_ATOMS: dict[str, tuple[Dim, Fraction, bool]] = {
    "V": (DIMENSIONS["voltage"][0], Fraction(1), True),
    "A": (DIMENSIONS["current"][0], Fraction(1), True),
    "s": (DIMENSIONS["time"][0], Fraction(1), True),
    "min": (DIMENSIONS["time"][0], Fraction(60), False),
    "h": (DIMENSIONS["time"][0], Fraction(3600), False),
    "d": (DIMENSIONS["time"][0], Fraction(86400), False),
    "Hz": (DIMENSIONS["frequency"][0], Fraction(1), True),
    # one failure in 10^9 hours
    "FIT": (DIMENSIONS["failure rate"][0], Fraction(1, 3600 * 10**9), False),
    "ohm": (DIMENSIONS["resistance"][0], Fraction(1), True),
    "Ohm": (DIMENSIONS["resistance"][0], Fraction(1), True),
    "Ω": (DIMENSIONS["resistance"][0], Fraction(1), True),
    "\u2126": (DIMENSIONS["resistance"][0], Fraction(1), True),
    "S": (DIMENSIONS["conductance"][0], Fraction(1), True),
    "F": (DIMENSIONS["capacitance"][0], Fraction(1), True),
    "H": (DIMENSIONS["inductance"][0], Fraction(1), True),
    "C": (DIMENSIONS["charge"][0], Fraction(1), True),
    "Ah": (DIMENSIONS["charge"][0], Fraction(3600), True),
    "W": (DIMENSIONS["power"][0], Fraction(1), True),
    "J": (DIMENSIONS["energy"][0], Fraction(1), True),
    "K": (DIMENSIONS["temperature"][0], Fraction(1), True),
    "m": (DIMENSIONS["length"][0], Fraction(1), True),
    "W/(m K)": (DIMENSIONS["thermal conductivity"][0], Fraction(1), False),
    "degC": (DIMENSIONS["temperature"][0], Fraction(1), False),
    "°C": (DIMENSIONS["temperature"][0], Fraction(1), False),
    "%": (NONE, Fraction(1, 100), False),
    "ppm": (NONE, Fraction(1, 1_000_000), False),
    "1": (NONE, Fraction(1), False),
}

_UNITS: dict[str, tuple[Dim, Fraction]] = {"": (NONE, Fraction(1))}
_POWERS = {prefix: Fraction(10) ** power for prefix, power in _PREFIXES.items()}
for _unit, (_dim, _factor, _prefixed) in _ATOMS.items():
    for _prefix in _PREFIXES if _prefixed else ("",):
        # SI wins over a clash: "min" is minutes, never milli-inch; no prefixed atom collides.
        _size = _POWERS[_prefix] if _factor == 1 else _factor * _POWERS[_prefix]
        _UNITS.setdefault(_prefix + _unit, (_dim, _size))

# only the digits of ASCII: a number must look like what it is
_NUMBER = r"[+-]?(?:[0-9][0-9_]*\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,4})?"
_ONE = re.compile(rf"\s*({_NUMBER})\s*(.*?)\s*", re.DOTALL)
_PLUS_MINUS = re.compile(r"\s*(?:\+-|\+/-|±)\s*")
_MAX_TEXT = 120


def plural(noun: str, count: float) -> str:
    """The noun as it goes with that many of it: bit, bits."""
    return noun if count == 1 else f"{noun}s"


def count_of(text: str) -> int | None:
    """The whole number that ASCII digits alone write, blanks around them aside; None for anything else.

    `str.isdigit` also takes superscripts, which `int` refuses, and any length, which `int` does not.
    """
    plain = text.strip()
    return int(plain) if plain.isascii() and plain.isdigit() and len(plain) <= 20 else None


def many(count: int, noun: str) -> str:
    """A count with its noun: 1 bit, 2 bits, 0 bits."""
    return f"{count} {plural(noun, count)}"


def quotient(a: Dim, b: Dim) -> Dim:
    """Dimension of a quotient."""
    v, w, x, y, z = (p - q for p, q in zip(a, b, strict=True))
    return v, w, x, y, z


def unit_of(text: str) -> tuple[Dim, Fraction]:
    """Dimension and factor of a unit such as `mA`, `V/us` or `K/W`.

    Raises CallError with the nearest known unit; the case of a prefix matters (`m` is not `M`).
    """
    text = text.strip()
    if text in _UNITS:
        return _UNITS[text]
    if text.count("/") == 1:
        over, under = (part.strip() for part in text.split("/"))
        if over in _UNITS and under in _UNITS and under:
            (a, x), (b, y) = _UNITS[over or "1"], _UNITS[under]
            return quotient(a, b), x / y
        parts = [p if p in _UNITS else closest(p, _UNITS) for p in (over, under)]
        hint = "/".join(parts) if all(parts) else ""
    else:
        # `mAmp` is meant as mA, which spells its beginning, rather than mm
        begun = [u for u in _UNITS if len(u) > 1 and text.startswith(u)]
        hint = max(begun, key=len) if begun else closest(text, [u for u in _UNITS if u])
    raise CallError(f"unknown unit {text[:30]!r}", nearest=hint, part=text[:30])


def base_unit(want: str) -> str:
    """The unit in which the numbers of a key of DIMENSIONS are kept: `C` for a battery's charge, shown in Ah."""
    dim, unit = DIMENSIONS[want]
    return unit if dim == NONE else _BY_DIM[dim]


def dimension_name(dim: Dim) -> str:
    """The trade's name of a dimension, or its exponents where it has none."""
    if dim in _DIM_NAMES:
        return _DIM_NAMES[dim]
    return "V^{} A^{} s^{} K^{} m^{}".format(*dim)


_SMALLEST, _LARGEST = Fraction(1, 10**40), Fraction(10**40)


def _number(text: str) -> Fraction:
    try:
        value = Fraction(Decimal(text.replace("_", "")))
    except (InvalidOperation, ValueError, OverflowError):
        raise CallError(f"{text[:30]!r} is not a number", part=text[:30]) from None
    # far from what a float holds, whatever it is multiplied with: no later step can overflow
    if value and not _SMALLEST <= abs(value) <= _LARGEST:
        raise CallError(f"{text[:30]!r} is too large or too small to be a quantity", part=text[:30])
    return value


def _split(text: str) -> tuple[Fraction, str]:
    if len(text) > _MAX_TEXT:
        raise CallError(f"a quantity of {len(text)} characters", "a number and a unit")
    match = _ONE.fullmatch(text)
    if match is None:
        hint = "; a comma is not a decimal point here" if re.search(r"\d,\d", text) else ""
        raise CallError(
            f"{text[:30]!r} is not a quantity",
            f"a number and a unit, as 60 mA{hint}",
            part=text[:30],
        )
    if "," in match[2]:
        raise CallError(
            f"{text[:30]!r}: a comma is not a decimal point here",
            nearest=text.replace(",", "."),
            part=text[:30],
        )
    exponent = re.search(r"[eE]([+-]?\d+)$", match[1])
    if exponent and abs(int(exponent[1])) > 40:
        raise CallError(f"{text[:30]!r} is too large or too small to be a quantity", part=text[:30])
    return _number(match[1]), match[2]


def _expect(dim: Dim, want: str | None, text: str, *, bare: bool) -> None:
    if want is None:
        return
    target, unit = DIMENSIONS[want]
    if dim == target:
        return
    if bare:
        raise CallError(
            f"{text[:40]!r} has no unit", f"a {want}, as {text.strip()[:20]} {unit}", part=text[:40]
        )
    raise CallError(
        f"{text[:40]!r} is a {dimension_name(dim)}",
        f"a {want} (in {unit or 'no unit'})",
        part=text[:40],
    )


@dataclass(frozen=True, slots=True)
class Quantity:
    """One exact value in base units (V, A, s, degC, m and their products)."""

    value: Fraction
    dim: Dim

    def __float__(self) -> float:
        return float(self.value)

    def __str__(self) -> str:
        return show(self.value, self.dim)


@dataclass(frozen=True, slots=True)
class Band:
    """min, typ and max of one value, exact and in base units; `low <= typ <= high` always.

    `given` says what the source stated: "typ", "min", "max", "min/max", "min/typ/max" or "computed".
    A side that was not stated equals its neighbour, and a calculation that leans on it can say so.
    """

    low: Fraction
    typ: Fraction
    high: Fraction
    dim: Dim
    given: str = "min/typ/max"

    def __post_init__(self) -> None:
        if not self.low <= self.typ <= self.high:
            raise CallError(
                f"min {show(self.low, self.dim)}, typ {show(self.typ, self.dim)}, "
                f"max {show(self.high, self.dim)} are not in order"
            )

    @classmethod
    def of(cls, value: Quantity | Fraction | float, dim: Dim = NONE) -> Band:
        """A band without width; a float is taken at its exact binary value."""
        if isinstance(value, Quantity):
            return cls(value.value, value.value, value.value, value.dim, "typ")
        exact = Fraction(value)
        return cls(exact, exact, exact, dim, "typ")

    @classmethod
    def between(
        cls,
        low: Fraction | float,
        high: Fraction | float,
        dim: Dim,
        typ: Fraction | float | None = None,
    ) -> Band:
        """min and max, with the middle as typ where none is given."""
        a, b = Fraction(low), Fraction(high)
        return cls(
            a,
            (a + b) / 2 if typ is None else Fraction(typ),
            b,
            dim,
            "min/max" if typ is None else "min/typ/max",
        )

    @property
    def exact(self) -> bool:
        """Whether the band has no width."""
        return self.low is self.high or self.low == self.high

    def floats(self) -> tuple[float, float, float]:
        """(min, typ, max) as floats in base units."""
        return float(self.low), float(self.typ), float(self.high)

    def __str__(self) -> str:
        if self.exact:
            return show(self.typ, self.dim)
        low, typ, high = (show(v, self.dim) for v in (self.low, self.typ, self.high))
        if "typ" in self.given or self.given == "computed":
            return f"{low} / {typ} / {high}"
        return f"{low}..{high}"


@lru_cache(maxsize=2048)
def parse(text: str, want: str | None = None) -> Quantity:
    """Read one quantity; `want` is a key of DIMENSIONS or None for any.

    >>> parse("60 mA", "current").value
    Fraction(3, 50)

    Raises CallError that says what was found, what was expected and the nearest valid unit.
    """
    number, unit = _split(text)
    dim, factor = unit_of(unit)
    _expect(dim, want, text, bare=not unit)
    return Quantity(number * factor, dim)


@lru_cache(maxsize=2048)
def parse_band(text: str, want: str | None = None) -> Band:
    """Read min/typ/max in any of the forms of the module's docstring, or a single value.

    A unit at the end serves every number before it that has none. Raises CallError.
    """
    if len(text) > _MAX_TEXT:
        raise CallError(f"a quantity of {len(text)} characters", "a number and a unit")
    around = _PLUS_MINUS.split(text)
    if len(around) == 2:
        typ = parse(around[0], want)
        number, unit = _split(around[1])
        dim, factor = unit_of(unit)
        if number < 0:
            raise CallError(f"{text[:40]!r} has a negative tolerance", part=text[:40])
        if (unit in ("%", "ppm") and typ.dim != NONE) or (
            unit in ("%", "ppm") and "%" not in around[0]
        ):
            spread = abs(typ.value) * number * factor
        elif dim == typ.dim:
            spread = number * factor
        else:
            raise CallError(
                f"{text[:40]!r}: the tolerance is a {dimension_name(dim)}",
                f"% or a {dimension_name(typ.dim)}",
                part=text[:40],
            )
        return Band(typ.value - spread, typ.value, typ.value + spread, typ.dim, "min/typ/max")
    if len(around) > 2:
        raise CallError(f"{text[:40]!r} has more than one tolerance", part=text[:40])
    if re.search(r"\s/\s", text):
        pieces, kind = re.split(r"\s+/\s+", text.strip()), "min/typ/max"
        if len(pieces) != 3:
            raise CallError(
                f"{text[:40]!r} has {len(pieces)} parts", "min / typ / max", part=text[:40]
            )
    elif ".." in text:
        if "..." in text:  # 0...5 would else be 0 to 0.5
            raise CallError(f"{text[:40]!r} has too many dots", "min..max", part=text[:40])
        pieces, kind = text.split(".."), "min/max"
        if len(pieces) != 2:
            raise CallError(f"{text[:40]!r}", "min..max", part=text[:40])
    else:
        return Band.of(parse(text, want))
    split = [_split(piece) for piece in pieces]
    last = split[-1][1]
    values = []
    for number, unit in split:
        dim, factor = unit_of(unit or last)
        _expect(dim, want, text, bare=not (unit or last))
        values.append((number * factor, dim))
    dims = {dim for _, dim in values}
    if len(dims) > 1:
        raise CallError(
            f"{text[:40]!r} mixes {' and '.join(sorted(map(dimension_name, dims)))}", part=text[:40]
        )
    numbers = [value for value, _ in values]
    if numbers != sorted(numbers):
        raise CallError(f"{text[:40]!r} is not in order", "the smallest first", part=text[:40])
    if kind == "min/max":
        return Band.between(numbers[0], numbers[1], values[0][1])
    return Band(numbers[0], numbers[1], numbers[2], values[0][1], kind)


#: (what a value must reach, which is its divisor too, and the prefix), the largest first
_SHOW_PREFIXES = [
    (10.0**power, prefix)
    for power, prefix in (
        (9, "G"), (6, "M"), (3, "k"), (0, ""), (-3, "m"), (-6, "u"), (-9, "n"), (-12, "p"), (-15, "f")
    )
]  # fmt: skip
_PLAIN_UNITS = {"degC", "%", "", "V/V"}


def show(value: Fraction | float, dim: Dim, digits: int = 4, unit: str | None = None) -> str:
    """A value with its unit and the prefix that suits, to `digits` significant digits.

    >>> show(Fraction(3, 50), DIMENSIONS["current"][0])
    '60 mA'

    `unit` overrides the unit of the dimension, e.g. "%" for a ratio or "V/us" for a slew.
    """
    unit, factor, fast, prefixed = _shown_in(dim, unit)
    if fast and abs(float(value)) >= 1000:
        unit, factor, prefixed = fast, 1e6, False
    try:
        scaled = float(value) / factor
    except OverflowError:
        return f"{'-' if value < 0 else ''}inf {unit}".strip()
    if scaled != scaled or scaled in (float("inf"), float("-inf")):
        return f"{scaled:g} {unit}".strip()
    if not prefixed or scaled == 0:
        return f"{_digits(scaled, digits)} {unit}".strip()
    step, prefix = _SHOW_PREFIXES[-1]
    size = abs(scaled) * (1 + 5 * 10 ** -(digits + 1))
    for step, prefix in _SHOW_PREFIXES:  # noqa: B007 (both are used after the loop)
        if size >= step:
            break
    return f"{_digits(scaled / step, digits)} {prefix}{unit}"


@lru_cache(maxsize=256)
def _shown_in(dim: Dim, unit: str | None) -> tuple[str, float, str, bool]:
    """(unit, its factor, the unit from 1000 on where that is another, whether prefixes suit it)."""
    fast, factor = "", 1.0
    if unit is None:
        unit = _BY_DIM.get(dim)
        if unit is None:
            unit = "·".join(
                name if power == 1 else f"{name}^{power}"
                for name, power in zip(("V", "A", "s", "K", "m"), dim, strict=True)
                if power
            )
        fast = {"V/s": "V/us", "A/s": "A/us"}.get(unit, "")
        if unit in ("V/us", "A/us"):
            factor = 1e6
    elif unit != "V/V":
        factor = float(unit_of(unit)[1])
    prefixed = (
        unit not in _PLAIN_UNITS and "^" not in unit and unit not in ("V/us", "A/us", "1/K", "K/W")
    )
    return unit, factor, fast, prefixed and unit in _ATOMS and _ATOMS[unit][2]


@lru_cache(maxsize=4096)
def value_name(value: Fraction, dim: Dim) -> str:
    """A value as a name without spaces, with as many digits as it takes to read it back exactly.

    >>> value_name(Fraction(3, 10), DIMENSIONS["current"][0])
    '300mA'
    """
    digits = f"{float(value):.12g}".partition("e")[0].replace(".", "").strip("-0")
    return show(value, dim, max(4, len(digits))).replace(" ", "")


def _digits(value: float, digits: int) -> str:
    text = f"{value:.{digits}g}"
    if "e" in text and 1e-6 < abs(value) < 1e9:
        text = f"{float(text):.{digits + 6}f}".rstrip("0").rstrip(".")
    return text
