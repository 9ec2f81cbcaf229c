"""Times written as a clock shows them: 10:00:01.25, 2026-01-02 10:00:01.25, 2026-01-02T10:00:01Z.

A date is a day of the Gregorian calendar, hours go to 23 without a date and without limit where nothing but
hours stands before the first colon (a recording of 30 h). Day first or month first cannot be told apart (03/04/2026): those
are refused with the cell, year first and day first with dots (02.01.2026) are read.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import date
from fractions import Fraction

_DATE = r"(?:(\d{4})[-/](\d{1,2})[-/](\d{1,2})|(\d{1,2})\.(\d{1,2})\.(\d{4}))"
_CLOCK = r"(\d{1,4}):([0-5]\d):([0-5]\d|60)(?:[.,](\d{1,15}))?"
_ZONE = r"(?:\s*(Z|UTC|[+-]\d{2}:?\d{2}))?"
_TEXT = re.compile(rf"(?:{_DATE}[T\s]\s*)?{_CLOCK}{_ZONE}")
#: At the start of a line of a log, in brackets or not.
LEADING = re.compile(rf"^\s*[\[(]?((?:{_DATE}[T\s]\s*)?{_CLOCK}{_ZONE})[\])]?[\s,;|:]+")
DAY = 86_400
#: A date counts from day 1; a recording without one lasts no year.
_FIRST_DAY = 366


def looks_like(text: str) -> bool:
    """Whether a cell is a time as a clock shows it."""
    return seconds_of(text) is not None


def seconds_of(text: str) -> Fraction | None:
    """Seconds since midnight, with a date since the day 0001-01-01 began; None where it is no such time."""
    found = _TEXT.fullmatch(text.strip())
    if found is None:
        return None
    year, month, day, day2, month2, year2, hour, minute, second, part, zone = found.groups()
    seconds = Fraction(int(hour) * 3600 + int(minute) * 60 + int(second))
    if part:
        seconds += Fraction(int(part), 10 ** len(part))
    if year is None and year2 is None:
        return seconds
    if int(hour) > 24:
        return None
    try:
        when = date(int(year or year2), int(month or month2), int(day or day2))
    except ValueError:
        return None
    if zone and zone not in ("Z", "UTC"):
        away = int(zone[1:3]) * 3600 + int(zone[-2:]) * 60
        seconds -= away if zone[0] == "+" else -away
    return seconds + when.toordinal() * DAY


class DayClock:
    """Clock times as seconds since the day of the first one began; midnight may pass."""

    def __init__(self, note: Callable[[str], None]) -> None:
        self._note = note
        self._base: Fraction | None = None
        self._last = Fraction(0)

    def since(self, seconds: Fraction) -> Fraction:
        """Seconds since then; a time without a date that falls back by half a day is of the next day."""
        if self._base is None:
            days = int(seconds // DAY)
            self._base = Fraction(days * DAY) if days >= _FIRST_DAY else Fraction(0)
            told = f" on {date.fromordinal(days).isoformat()}" if self._base else ""
            self._note(f"times of day: 0 is midnight{told}")
        seconds -= self._base
        if not self._base:
            while self._last - seconds > DAY // 2:
                seconds += DAY
        self._last = seconds
        return seconds
