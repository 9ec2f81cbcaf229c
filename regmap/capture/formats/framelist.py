"""A plain list of frames: one transfer a line, hex, command first, reply second, a time before them if wished.

    # time us, command, reply           # 8 digits are 32 clocks, 4 digits are 16
    12.5, 0x8001, 0x0000                8001 0000
    14.0, 0x0002, 0x1234                0002 1234

Columns are parted by blanks, commas, semicolons, tabs or bars. A word is as long as its digits say
unless `bits` is given. Without times the lines are numbered, one tick each, and no timing is known.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from fractions import Fraction

from regmap.errors import CallError, CaptureError

from ..spi import SpiSetup, Transfers
from .clocktext import LEADING, DayClock, seconds_of
from .source import CaptureSource, text_of
from .tablehead import UNITS
from .wordrows import PART, RowsCapture, WordRow

_SPLIT = re.compile(r"[\s,;|]+")
_HEX = re.compile(r"(?:0[xX])?([0-9a-fA-F_]{1,512})[hH]?")
#: What stands before a word in a log: `tx=0x8001 rx=0x0000`
LABEL = re.compile(r"\b(?:tx|rx|mosi|miso|sdi|sdo|cmd|command|reply|sent|received)\s*[=:]\s*", re.I)
_BINARY = re.compile(r"0[bB]([01_]{1,2048})")
_TIME = re.compile(r"([+-]?(?:\d+(?:\.\d*)?|\.\d+)(?:[eE][+-]?\d{1,3})?)(s|ms|us|µs|ns|ps)?")
_LINE_LIMIT = 4096
_COMMENT = re.compile(r"(?s:(?:#|//|;|%).*)")


class FrameListCapture(RowsCapture):
    """A list of frames; `frame_transfers()` gives them as Transfers. It has no lines and no blocks."""

    format = "frames"

    def __init__(
        self,
        source: CaptureSource,
        *,
        bits: int | None = None,
        time_unit: str | None = None,
        setup: SpiSetup | None = None,
    ) -> None:
        super().__init__(source, setup)
        if bits is not None and not 1 <= bits <= 2048:
            raise CallError(f"frames of {bits} bits", "1 to 2048")
        if time_unit is not None and time_unit not in UNITS:
            raise CallError(f"time unit {time_unit!r}", "one of s, ms, us, ns, ps, fs")
        self._bits = bits
        self._unit = time_unit
        self._columns: int | None = None
        self._timed: bool | None = None
        head = source.read(PART)
        source.unread(head)
        self._base = _base_of(text_of(head))
        if self._base == 10 and bits is None:
            raise CaptureError.at(
                source.name,
                "numbers that look decimal, and not how many bits they have",
                "hex frames (0x8001), or the bits of a frame (--frame-bits)",
            )
        self._last: int | None = None
        self._clock = DayClock(self.findings.note)

    def frame_transfers(self) -> Iterator[Transfers]:
        """The words in parts of some ten thousand. CaptureError if there are none at all."""
        for lines, _ in self._parts("list", "a few hex frames a line"):
            rows = [row for line in lines if (row := self._row(line)) is not None]
            if rows:
                yield self._pack(rows)
        if not self._count:
            raise CaptureError(
                [
                    *self.findings.all(),
                    *CaptureError.at(
                        self.name, "no frame in the list", "hex frames, one or two a line"
                    ).problems,
                ]
            )

    def _row(self, raw: bytes) -> WordRow | None:
        self._line += 1
        if len(raw) > _LINE_LIMIT:
            self.findings.add(f"a line of {len(raw)} bytes", "a few hex frames", line=self._line)
            return None
        text = text_of(raw).rstrip("\r")
        if self._line == 1:
            text = text.lstrip("\ufeff")
        clock = LEADING.match(text)
        bare = LABEL.sub("", text[clock.end() :] if clock else text)
        if ";" in bare and not bare.lstrip().startswith(";"):
            bare = bare.replace(";", ",")
        bare = _COMMENT.sub("", bare).strip(" \t,|")
        if not bare:
            self._title(text)
            return None
        fields = _SPLIT.split(bare)
        if self._columns is None:
            if not any(
                (_HEX.fullmatch(f) or _BINARY.fullmatch(f)) and re.search(r"\d", f) for f in fields
            ) and not all(_HEX.fullmatch(f) or _BINARY.fullmatch(f) for f in fields):
                self._title(text)
                return None
            self._decide(fields, clock=clock is not None)
        assert self._columns is not None
        if clock is not None:
            fields.insert(0, clock[1])
        if len(fields) != self._columns:
            self._bad(
                text, text, f"{len(fields)} columns", f"{self._columns} as in the other lines"
            )
            return None
        time: int | None = None
        if self._timed:
            time = self._time(fields.pop(0), text)
            if time is None:
                return None
        words = []
        for field in fields:
            word = self._word(field)
            if word is None:
                kind = {2: "binary", 10: "decimal", 16: "hex"}[self._base]
                self._bad(
                    text, field, f"{field[:40]!r} is no {kind} frame", "hex digits, as 0x8001"
                )
                return None
            if self._bits is not None and word[0] >> self._bits:
                self._bad(
                    text,
                    field,
                    f"{field[:40]} has more than {self._bits} bits",
                    f"at most {self._bits} bits",
                )
                return None
            words.append(word)
        if len(words) == 2 and self._bits is None and words[0][1] != words[1][1]:
            self._bad(
                text,
                fields[1],
                f"{fields[0][:30]} and {fields[1][:30]} differ in length",
                "command and reply of the same length",
            )
            return None
        bits = self._bits or words[0][1]
        return WordRow(time, words[0][0], words[1][0] if len(words) > 1 else None, bits)

    def _word(self, field: str) -> tuple[int, int] | None:
        """(value, bits that its digits say) of a word, None where it is none."""
        binary = _BINARY.fullmatch(field)
        if binary or self._base == 2:
            digits = (binary[1] if binary else field).replace("_", "")
            return (int(digits, 2), len(digits)) if digits and not digits.strip("01") else None
        if self._base == 10 and field.isascii() and field.isdigit():
            return int(field), self._bits or 0
        match = _HEX.fullmatch(field)
        digits = match[1].replace("_", "") if match else ""
        return (int(digits, 16), 4 * len(digits)) if digits else None

    def _title(self, text: str) -> None:
        """A heading may name the time's unit: `time us, command, reply`."""
        match = re.search(r"\btime\b\W*_?\s*\(?\[?(s|ms|us|µs|ns|ps)?\b", text, re.I)
        if match and self._columns is None:
            self._timed = True
            if match[1] and self._unit is None:
                self._unit = match[1].casefold()

    def _decide(self, fields: list[str], *, clock: bool = False) -> None:
        first = fields[0]
        if clock:
            # the time stands before the fields; it is put among them from here on
            self._timed, self._unit = True, "s"
            fields = ["", *fields]
            first = "0.0s"
        if self._timed is None:
            self._timed = len(fields) == 3 or (
                len(fields) > 1
                and ("." in first or bool(re.fullmatch(r"[\d.]+(s|ms|us|µs|ns|ps)", first)))
            )
        count = len(fields) - self._timed
        if count not in (1, 2):
            raise CaptureError.at(
                self.name,
                f"{len(fields)} columns in line {self._line}",
                "one or two hex frames, with a time before them if wished",
            )
        self._columns = len(fields)
        if not self._timed:
            self.findings.note("no times: frames are numbered, and nothing is said about timing")
            self.tick = Fraction(1)
        elif self._unit is None and not re.search(r"[a-zµ]+$", first.casefold().replace("e", "")):
            self.findings.note("no time unit: seconds are assumed")

    def _time(self, field: str, text: str) -> int | None:
        shown = seconds_of(field)
        if shown is not None:
            return self._in_order(round(self._clock.since(shown) * 10**12), field, text)
        match = _TIME.fullmatch(field.replace(",", "."))
        if match is None:
            self._bad(
                text, field, f"{field[:40]!r} is not a time", "a number, with a unit if wished"
            )
            return None
        power = UNITS[match[2] or self._unit or "s"]
        ticks = round(Fraction(match[1]) * Fraction(10) ** (12 + power))
        if abs(ticks) >= 1 << 60:
            self._bad(text, field, f"the time {field[:40]} is too large", "at most some days")
            return None
        return self._in_order(ticks, field, text)

    def _in_order(self, ticks: int, field: str, text: str) -> int | None:
        if self._last is not None and ticks < self._last:
            self._bad(
                text,
                field,
                f"time runs backwards: {field[:40]}",
                "a time not before the line above",
            )
            return None
        self._last = ticks
        return ticks

    def _bad(self, text: str, field: str, found: str, expected: str) -> None:
        self.findings.add(
            found,
            expected,
            line=self._line,
            column=max(text.find(field), 0) + 1,
            text=text,
            span=max(1, min(len(field), 80)),
        )


def _base_of(text: str) -> int:
    """The base of words without a prefix, from the last one of each line: 2, 10 or 16."""
    words = []
    for line in text.splitlines()[:2000]:
        bare = LABEL.sub("", _COMMENT.sub("", LEADING.sub("", line)))
        fields = [f for f in _SPLIT.split(bare) if f]
        words += [f for f in fields[-2:] if re.search(r"\d", f) and "." not in f]
    lengths = {len(w) for w in words}
    if (
        len(words) > 1
        and len(lengths) == 1
        and min(lengths) >= 8
        and not "".join(words).strip("01")
    ):
        return 2
    plain = all(w.isascii() and w.isdigit() and (w == "0" or w[0] != "0") for w in words)
    return 10 if words and plain and len(lengths) > 1 else 16
