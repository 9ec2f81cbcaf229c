"""Tables beside those of registers: parts of a frame, electrical limits, values by code."""

from __future__ import annotations

import re

from .cells import name_of, number_of, plain, quantity
from .columns import cell_of, radix_of
from .found import Cell, FoundPart, Values
from .walk import Walk, field_named

#: names of parts of a frame (common practice, no source): what they hold, and what else has to be said
_PARTS = (
    (r"r_?/?w|rw|w_?/?r|read_?write|wr|op|rw_n|operation", "operation"),
    (r"a(\d*)|addr(ess)?|adr", "address"),
    (r"page|bank", "page"),
    (r"d(\d*)|data|payload|din", "data"),
    (r"p|par(ity)?|odd_?parity|even_?parity", "parity"),
    (r"crc\d*", "crc"),
)

#: SPI limits by the usual symbols (common practice, no source): key of maps, side of the table
_LIMITS = (
    (r"f_?\(?(sclk|sck|clk|spi)\)?", "clock_max", "high"),
    (r"t_?\(?(hi|h_?sclk|sclk_?h|clkh|wh|high_?sclk|sckh)\)?", "clock_high", "low"),
    (r"t_?\(?(lo|l_?sclk|sclk_?l|clkl|wl|low_?sclk|sckl)\)?", "clock_low", "low"),
    (r"t_?\(?(su_?(ncs|scs|cs|nscs|csn)|lead|css|(ncs|cs)_?su|cs_?setup)\)?", "lead", "low"),
    (r"t_?\(?(h_?(ncs|scs|cs|nscs|csn)|lag|csh|(ncs|cs)_?h(old)?|hd_?(ncs|scs|cs|nscs))\)?", "lag", "low"),
    (r"t_?\(?(hi_?(ncs|scs|cs|nscs)|cs_?high|csi|idle|(ncs|cs)_?(hi|high|idle)|cph|wcs)\)?", "idle", "low"),
    (r"t_?\(?(ready|wake(_?up)?|wu|en_?spi|startup)\)?", "wake_up", "high"),
)  # fmt: skip


def take_part(name: str, bits: tuple[int, ...], origin: str, walk: Walk) -> None:
    """A part of the command frame by its name."""
    called = name_of(name.split("\n")[0])
    holds = next((h for pattern, h in _PARTS if re.fullmatch(pattern, called, re.I)), "")
    value = plain(name)
    if re.fullmatch(r"[01]+", value) and (len(value) == len(bits) or not int(value)):
        called, holds = f"fixed_{bits[0]}", f"fixed, value: {int(value, 2)}"
    parts = walk.sheet.reply if walk.framing == "reply" else walk.sheet.parts
    for earlier in parts:
        if holds and earlier.holds == holds and holds in ("data", "address"):
            earlier.bits = tuple(sorted({*earlier.bits, *bits}, reverse=True))
            return
        if earlier.bits == bits:
            return
    parts.append(FoundPart(called.lower() or f"part_{bits[0]}", bits, holds, origin))


def take_limits(rows: list[tuple[list[Cell], str]], known: dict[str, int], walk: Walk) -> None:
    """Electrical limits of the SPI by the usual symbols."""
    unit = ""
    for row, origin in rows:
        unit = plain(cell_of(row, known, "unit")) or unit
        for cell in row:
            symbol = re.sub(r"\s", "", plain(cell or "").lower()) if cell else ""
            for pattern, key, side in _LIMITS:
                value = plain(cell_of(row, known, side))
                if (
                    symbol
                    and re.fullmatch(pattern, symbol)
                    and re.fullmatch(r"[\d.]+", value)
                    and unit
                ):
                    walk.sheet.limits.setdefault(key, (quantity(f"{value} {unit}"), origin))


def take_value_table(
    head: list[Cell],
    rows: list[tuple[list[Cell], str]],
    known: dict[str, int],
    notes: dict[str, str],
    walk: Walk,
) -> None:
    """Codes with values or meanings of the field that the caption named."""
    named = field_named(f"{walk.caption} {' '.join(plain(c or '') for c in head)}", walk)
    if named is None and walk.register is not None and walk.field is not None:
        named = walk.register, walk.field
    if named is None:
        if rows:
            walk.sheet.doubt(
                "open", f"the table of codes at {rows[0][1]} names no field", origin=rows[0][1]
            )
        return
    register, found = named
    width = len(found.bits)
    sides = [s for s in ("low", "typ", "high") if s in known]
    codes = [plain(cell_of(r, known, "code")) for r, _ in rows]
    digits = [c for c in codes if c.isdigit()]
    radix = radix_of(notes["code"])
    if radix is None and digits and all(len(c) == width and set(c) <= {"0", "1"} for c in digits):
        radix = 2
    size = 1 << min(width, 10)
    table = Values("", [None] * size, [None] * size, [None] * size)
    for (row, origin), code in zip(rows, codes, strict=True):
        read = number_of(code, radix=radix if code.isdigit() or radix == 16 else None, width=width)
        if read is None:
            continue
        if read[0] >= size:
            walk.sheet.doubt(
                "serious",
                f"code {code} does not fit {width} bits ({origin})",
                of=[register.name, found.name],
            )
            continue
        if not sides:
            text = (
                cell_of(row, known, "summary")
                or cell_of(row, known, "name")
                or cell_of(row, known, "options")
                or _other(row, known)
            )
            if text:
                found.options[read[0]] = plain(text)
            continue
        for side in sides:
            value = plain(cell_of(row, known, side))
            table.unit = table.unit or plain(cell_of(row, known, "unit")) or notes.get(side, "")
            if re.fullmatch(r"[+-]?[\d.]+", value):
                {"low": table.low, "typ": table.typ, "high": table.high}[side][read[0]] = value
    if sides and any((*table.low, *table.typ, *table.high)):
        found.values = table
        if not table.unit:
            walk.sheet.doubt(
                "serious", "the table of values has no unit", of=[register.name, found.name]
            )


def _other(row: list[Cell], known: dict[str, int]) -> str:
    """The first cell beside the code that says something."""
    return next((c for i, c in enumerate(row) if i != known["code"] and c), "")
