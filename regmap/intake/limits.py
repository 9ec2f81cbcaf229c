"""Electrical limits of a chip, by the usual symbols and words of data sheets (common practice, no source).

A row must name a limit by its symbol or its words, and state numbers with a unit of the right kind;
what it was taken by stands behind the entry, so that a person sees at once what to check.
"""

from __future__ import annotations

import re
from typing import NamedTuple

from ..errors import CallError
from ..parameters import CHIP
from ..quantity import DIMENSIONS, parse_band
from .cells import plain, quantity
from .columns import cell_of
from .found import Cell, FoundSheet


class _Limit(NamedTuple):
    """`side` is what of a row counts: "band" (min, typ and max), "high" or "span" (min to max)."""

    key: str
    symbol: str
    words: str
    side: str = "band"


_LIMITS = (
    _Limit("supply.max", "", r"(absolute )?max(imum)? (ratings? )?(of )?(the )?supply( voltage)?|supply( voltage)?,? absolute max(imum)?", "high"),
    _Limit("supply.operating", "", r"(operating|recommended) (supply|battery|motor supply)( voltage)?( range)?|supply( voltage)?( range)?,? operating", "span"),
    _Limit("supply.sleep_current", r"i_?\(?(sleep|slp|q_?sleep|standby|stby)\)?", r"(supply )?current,? (in |while )?(sleep|standby)( mode)?|(sleep|standby)( mode)?( supply)? current"),
    _Limit("supply.current", r"i_?\(?(q|op|active)\)?", r"(operating|active|quiescent)( supply)? current|supply current,? (active|awake|operating|in operation)"),
    _Limit("uv.threshold", r"v_?\(?(uv|uvlo|uvlo_?f(all(ing)?)?)\)?", r"(supply )?under-?voltage( lock-?out| shutdown)?( threshold)?(,? falling)?"),
    _Limit("ov.threshold", r"v_?\(?(ov|ovp|ovp_?r(ise|ising)?)\)?", r"(supply )?over-?voltage( shutdown| protection)?( threshold)?(,? rising)?"),
    _Limit("propagation.on", r"t_?\(?(pd_?on|pd_?r|on_?delay|d_?on)\)?", r"propagation delay,? (turn-?)?on|turn-?on (propagation )?delay"),
    _Limit("propagation.off", r"t_?\(?(pd_?off|pd_?f|off_?delay|d_?off)\)?", r"propagation delay,? (turn-?)?off|turn-?off (propagation )?delay"),
    _Limit("deadtime", "", r"(fixed|internal) dead ?time"),
    _Limit("sense.offset", "", r"(current[- ]sense |shunt )?amplifier,? (input )?offset( voltage)?|(input )?offset voltage of the (current[- ]sense|shunt) amplifier"),
    _Limit("driver.rth", r"r_?\(?(th_?ja|θja|th_?\(?j-?a\)?)\)?|θ_?ja", r"(thermal resistance,? )?junction[- ]to[- ]ambient( thermal resistance)?", "high"),
    _Limit("driver.tj_max", "", r"(maximum |max |operating )?junction temperature( range)?", "high"),
    _Limit("temperature.warning", r"t_?\(?(warn|otw|tw)\)?", r"(over-?)?temperature warning( threshold)?|thermal warning"),
    _Limit("temperature.shutdown", r"t_?\(?(sd|tsd|shutdown|ot|otsd)\)?", r"thermal shutdown( temperature| threshold)?|over-?temperature shutdown( threshold)?|shutdown temperature"),
)  # fmt: skip


def take_electrical(
    rows: list[tuple[list[Cell], str]], known: dict[str, int], sheet: FoundSheet
) -> None:
    """The electrical limits among the rows of one table; of two rows for one limit the first, under a doubt."""
    unit = ""
    for row, origin in rows:
        unit = plain(cell_of(row, known, "unit")) or unit
        numbers = {side: plain(cell_of(row, known, side)) for side in ("low", "typ", "high")}
        for limit in _LIMITS:
            by = _named(row, limit)
            text = _band(numbers, limit.side, unit) if by else ""
            if not text or not _fits(limit.key, text):
                continue
            if limit.key in sheet.electrical:
                first = sheet.electrical[limit.key]
                if first[0] != text:
                    sheet.doubt(
                        "open",
                        f"{limit.key} stands twice: {first[0]} ({first[1]}), and {text} ({origin})",
                    )
            else:
                sheet.electrical[limit.key] = text, origin, by
            break


def _named(row: list[Cell], limit: _Limit) -> str:
    """The cell by which a row is this limit, as it is written; "" where it is not."""
    for cell in row:
        text = plain(cell or "")
        symbol = re.sub(r"\s", "", text).lower()
        if limit.symbol and re.fullmatch(limit.symbol, symbol):
            return text
        if limit.words and re.fullmatch(limit.words, text.lower()):
            return text
    return ""


def _band(numbers: dict[str, str], side: str, unit: str) -> str:
    """The numbers of a row as a value of a map; "" where they do not state it whole."""
    low, typ, high = (
        n if re.fullmatch(r"[+-]?\d+(\.\d+)?", n.replace("\u2212", "-")) else ""
        for n in numbers.values()
    )
    low, typ, high = (n.replace("\u2212", "-") for n in (low, typ, high))
    unit = quantity(f"1 {unit}").partition(" ")[2] if unit else ""
    unit = unit.replace("\u00b0C", "degC").replace("degC/W", "K/W")
    if not unit:
        return ""
    if side == "high":
        return f"{high or typ} {unit}" if high or typ else ""
    if side == "span":
        return f"{low}..{high} {unit}" if low and high else ""
    if low and typ and high:
        return f"{low} / {typ} / {high} {unit}"
    if low and high:
        return f"{low}..{high} {unit}"
    # one number alone has no tolerance, and says so
    return f"{typ} {unit}" if typ and not (low or high) else ""


def _fits(key: str, text: str) -> bool:
    """Whether a text is a value of the kind that the limit is."""
    kind = CHIP[key].dimension
    try:
        return kind is not None and parse_band(text).dim == DIMENSIONS[kind][0]
    except CallError:
        return False
