"""The head of a CSV capture: delimiter, decimal sign, names, time column and unit, kinds of columns."""

from __future__ import annotations

import itertools
import re
from collections import Counter
from fractions import Fraction
from typing import Literal

from regmap.budgets import limit, over
from regmap.errors import CallError, CaptureError
from regmap.quantity import count_of, parse
from regmap.record import dataclass, field

from ..arrays import X, Z
from ..lines.signals import Findings
from .clocktext import looks_like

Kind = Literal["time", "bit", "bus", "volts", "skip"]

#: Order of trial: with `;` a comma may be the decimal sign, so `;` is looked for first.
DELIMITERS = (";", "\t", "|", ",", " ")
UNITS = {
    "s": 0,
    "sec": 0,
    "second": 0,
    "seconds": 0,
    "ms": -3,
    "us": -6,
    "µs": -6,
    "μs": -6,
    "ns": -9,
    "ps": -12,
    "fs": -15,
}

#: What a single value of a digital line may read.
LEVELS: dict[str, int] = {
    "0": 0,
    "1": 1,
    "x": X,
    "z": Z,
    "u": X,
    "-": X,
    "?": X,
    "false": 0,
    "true": 1,
    "low": 0,
    "high": 1,
    "l": 0,
    "h": 1,
    "off": 0,
    "on": 1,
    "no": 0,
    "yes": 1,
    "0.0": 0,
    "1.0": 1,
    "0b0": 0,
    "0b1": 1,
    "0x0": 0,
    "0x1": 1,
    "hi-z": Z,
    "hiz": Z,
}
_NUMBER = re.compile(r"[+-]?(\d+(?:\.\d*)?|\.\d+)([eE][+-]?\d+)?")
_HEX = re.compile(r"(0[xX][0-9a-fA-F]{1,16}|[0-9a-fA-F]{1,16}[hH])")
_TIME_NAME = re.compile(
    r"^(time ?stamp|time|t|seconds?|sec|zeit|x|elapsed)?\W*(?:_|\b)(s|sec|seconds?|ms|us|µs|μs|ns|ps|fs)?\W*$",
    re.I,
)
_INDEX_NAME = re.compile(r"^(sample|index|idx|n|no\.?|sample ?(no\.?|number|index)|#)$", re.I)
_RATE = re.compile(
    r"(?:sample|sampling)[ _]?(?:rate|frequency|freq)\W+?([\d.,]+(?:[eE][+-]?\d+)?\s*[kMG]?(?:Hz|S/s|Sa/s)?)",
    re.I,
)
_STEP = re.compile(
    r"(?:sample|sampling)[ _]?(?:interval|period|step|time)\W+?([\d.]+(?:[eE][+-]?\d+)?\s*[munpf]?s?)\b",
    re.I,
)
COMMENTS = ("#", "//", "%", "!", "'")


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its name, kind, and for a bus the number of bits."""

    name: str
    kind: Kind
    width: int = 1


@dataclass(slots=True)
class TableHead:
    """What the head says. `skip` lines come before the data; `power` is the time unit's power of ten.

    `first_rows` are the rows met while reading it; they come again as data.
    """

    delimiter: str
    decimal: str
    columns: list[Column] = field(default_factory=list)
    skip: int = 0
    power: int = 0
    rate: Fraction | None = None
    fine: bool = False
    #: times are written as a clock shows them
    clock: bool = False
    first_rows: list[list[str]] = field(default_factory=list)

    @property
    def time(self) -> int | None:
        """The time column."""
        return next((i for i, c in enumerate(self.columns) if c.kind == "time"), None)


def split(line: str, delimiter: str) -> list[str]:
    """The fields of a line, without blanks and quotation marks around them."""
    if delimiter == " ":
        return [f.strip("\"'") for f in line.split()]
    if '"' in line:
        # A delimiter inside quotation marks (a name, a decimal comma) does not part fields.
        pieces, quoted = [""], False
        for char in line:
            if char == '"':
                quoted = not quoted
            elif char == delimiter and not quoted:
                pieces.append("")
            else:
                pieces[-1] += char
        return [p.strip() for p in pieces]
    return [f.strip() for f in line.split(delimiter)]


def is_comment(line: str) -> bool:
    """Whether a line is blank or a remark."""
    text = line.strip()
    return not text or text.startswith(COMMENTS)


def number_like(text: str, decimal: str) -> bool:
    """Whether a field is a number."""
    return bool(_NUMBER.fullmatch(text.replace(decimal, ".") if decimal == "," else text))


def _value_like(text: str, decimal: str) -> bool:
    return (
        not text
        or text.casefold() in LEVELS
        or number_like(text, decimal)
        or bool(_HEX.fullmatch(text))
    )


def find_delimiter(lines: list[str]) -> tuple[str, int]:
    """(delimiter, fields a line) from lines near the end of the head; one field if there is none."""
    tail = [line for line in lines if not is_comment(line)][-60:]
    for delimiter in DELIMITERS:
        counts = Counter(len(split(line, delimiter)) for line in tail)
        if counts:
            count, often = counts.most_common(1)[0]
            if count >= 2 and often >= max(1, 0.8 * len(tail)):
                return delimiter, count
    return ",", 1


def read_head(
    text: str,
    findings: Findings,
    *,
    complete: bool,
    delimiter: str | None = None,
    decimal: str | None = None,
    time_unit: str | None = None,
    rate: Fraction | None = None,
) -> TableHead:
    """The head of a table from its first bytes. CaptureError if these are no table."""
    lines = text.split("\n")
    if not complete and len(lines) > 1:
        lines = lines[:-1]
    if delimiter is not None and delimiter not in DELIMITERS:
        raise CallError(f"delimiter {delimiter!r}", "one of , ; | tab or space")
    found, count = find_delimiter(lines)
    if delimiter is None:
        delimiter = found
    if delimiter != found or count < 2:
        counts = Counter(
            len(split(line, delimiter)) for line in lines[-60:] if not is_comment(line)
        )
        count = counts.most_common(1)[0][0] if counts else 0
    head = TableHead(delimiter, decimal or ".")
    if decimal is None and delimiter != ",":
        body = [f for line in lines[-60:] if not is_comment(line) for f in split(line, delimiter)]
        if any(re.fullmatch(r"[+-]?\d+,\d+([eE][+-]?\d+)?", f) for f in body) and not any(
            re.fullmatch(r"[+-]?\d+\.\d+", f) for f in body
        ):
            head.decimal = ","
    start = _first_row(lines, head, count)
    if start is None:
        raise CaptureError.at(
            findings.name,
            "no table in the first lines" + _offending(lines, head, count),
            "rows of equally many values (times, 0 and 1, or voltages) parted by , ; | tab or space",
        )
    rows = [split(line, delimiter) for line in lines[start:] if not is_comment(line)]
    rows = [r for r in rows if len(r) == count]
    head.first_rows = rows
    names, units, first = _names(lines, start, head, count)
    head.skip = first
    _remarks(lines[:start], head, findings)
    if rate is not None:
        head.rate = rate
    _columns(head, names, units, rows, findings, time_unit)
    return head


def _first_row(lines: list[str], head: TableHead, count: int) -> int | None:
    if count < 1:
        return None
    for index, line in enumerate(lines):
        if is_comment(line):
            continue
        fields = split(line, head.delimiter)
        if len(fields) != count or not any(fields):
            continue
        # `1,2,3` as names is followed by values like any other row; no way to tell, none needed.
        following = [
            split(text, head.delimiter)
            for text in lines[index + 1 : index + 6]
            if not is_comment(text)
        ]
        # a column that holds text in every row is passed over, where enough others hold values
        rows = [r for r in (fields, *following) if len(r) == count]
        texts = {
            i for i in range(count)
            if len(rows) > 1 and not any(_value_like(r[i], head.decimal) for r in rows)
        }  # fmt: skip
        if count - len(texts) < min(2, count):
            continue

        def fits(row: list[str], texts: set[int] = texts) -> bool:
            return len(row) == count and all(
                i in texts or _value_like(v, head.decimal) for i, v in enumerate(row)
            )

        if fits(fields) and 2 * sum(map(fits, following)) >= len(following):
            return index
    return None


def _offending(lines: list[str], head: TableHead, count: int) -> str:
    """The cell that keeps the likeliest row from being one: " (line 2, column 1: 'x' is no value)"."""
    best: tuple[int, int, int, str] | None = None
    for index, line in enumerate(lines[:200]):
        fields = split(line, head.delimiter)
        if is_comment(line) or len(fields) != count or count < 2:
            continue
        odd = [i for i, v in enumerate(fields) if not _value_like(v, head.decimal)]
        if odd and (best is None or len(odd) < best[0]):
            best = len(odd), index + 1, odd[0] + 1, fields[odd[0]]
    if best is None:
        return ""
    return f" (line {best[1]}, column {best[2]}: {best[3][:40]!r} is no value)"


def _names(
    lines: list[str], start: int, head: TableHead, count: int
) -> tuple[list[str], list[str], int]:
    """(names, units, lines before the data); a remark may hold the names: `# time, sclk, ncs`."""
    above = []
    for index in range(start - 1, max(-1, start - 6), -1):
        line = lines[index].strip()
        if not line:
            continue
        bare = re.sub(r"^(#|//|%|!)\s*", "", line)
        fields = split(bare, head.delimiter)
        if len(fields) == count and not all(_value_like(f, head.decimal) for f in fields):
            above.append(fields)
        elif above:
            break
    units = [""] * count
    if not above:
        return [""] * count, units, start
    names = above[0]
    if len(above) > 1 and all(
        re.fullmatch(r"[\[(]?(%|1|-|[munpµμ]?[sV]|sec\w*|volts?|bits?)?[\])]?", f, re.I)
        for f in above[0]
    ):
        units, names = [f.strip("[]()") for f in above[0]], above[1]
    return names, units, start


def _remarks(lines: list[str], head: TableHead, findings: Findings) -> None:
    text = "\n".join(lines)
    match = _RATE.search(text)
    if match:
        try:
            number = match[1].replace(",", "").replace("Sa/s", "Hz").replace("S/s", "Hz").strip()
            if re.fullmatch(r"[\d.]+(?:[eE][+-]?\d+)?", number):
                number += " Hz"
            elif re.search(r"[kMG]$", number):
                number += "Hz"
            head.rate = parse(number, "frequency").value or None
        except CallError:
            findings.note(f"the sample rate {match[1]!r} in the head could not be read")
        return
    match = _STEP.search(text)
    if match:
        try:
            number = match[1].strip()
            value = parse(number if number.endswith("s") else number + " s", "time").value
            head.rate = 1 / value if value > 0 else None
        except CallError:
            findings.note(f"the sample interval {match[1]!r} in the head could not be read")


def _columns(
    head: TableHead,
    names: list[str],
    units: list[str],
    rows: list[list[str]],
    findings: Findings,
    time_unit: str | None,
) -> None:
    if len(names) > limit("columns"):
        raise CaptureError.at(findings.name, *over("columns", len(names)))
    kinds: list[Kind] = []
    widths = []
    for index in range(len(names)):
        kind, width = _kind([r[index] for r in rows], head.decimal)
        kinds.append(kind)
        widths.append(width)
    time = _time_column(names, kinds, rows, head)
    clocks = [i for i in range(len(names)) if rows and all(looks_like(r[i]) for r in rows)]
    if clocks and (time is None or time in clocks):
        # of several, the one that is named for it
        time = time if time is not None else clocks[0]
        head.clock = True
    for index, name in enumerate(names):
        cell = rows[0][index] if rows else ""
        clock = kinds[index] == "skip" and re.search(r"\d:\d", cell) and not head.clock
        if clock and (index == time or (time is None and head.rate is None)):
            raise CaptureError.at(
                findings.name,
                f"{cell[:40]!r} in column {name or index + 1!r} is no time that can be read",
                "plain numbers with their unit in the head (Time [us]), 10:00:01.25, or 2026-01-02 10:00:01.25",
            )
        if kinds[index] == "skip" and cell and index != time:
            findings.note(
                f"column {name or index + 1!r} holds text ({cell[:20]!r}) and is left out"
            )
    for index, name in enumerate(names):
        if time is None and _INDEX_NAME.match(name):
            kinds[index] = "skip"
            findings.note(f"column {name!r} counts samples and is left out")
        elif (
            time is not None
            and index != time
            and (_INDEX_NAME.match(name) or (kinds[index] != "bit" and is_time_name(name)))
        ):
            kinds[index] = "skip"
            findings.note(f"column {name!r} is left out")
    if time is not None:
        kinds[time] = "time"
        head.power = 0 if head.clock else unit_power(names[time], units[time], time_unit, findings)
        digits = max(
            (
                len(f.split("e")[0].partition(".")[2]) - int(f.partition("e")[2] or 0)
                for r in rows
                for f in [r[time].casefold().replace(",", ".")]
                if _NUMBER.fullmatch(f)
            ),
            default=0,
        )
        head.fine = digits - head.power > 12
    elif head.rate is None:
        raise CaptureError.at(
            findings.name,
            f"no column of times among {', '.join(n or '(no name)' for n in names)[:200]}, and no sample rate",
            "a column named time, or rate=... (samples a second)",
        )
    plain = [re.sub(r"[\[(]\s*(V|volts?|mV)\s*[\])]\s*$", "", n).rstrip() for n in names]
    for index, (name, kind, width) in enumerate(zip(plain, kinds, widths, strict=True)):
        shown = name or f"column{index + 1}"
        if kind == "bit":
            wide = re.search(r"\[\s*(\d{1,3})\s*:\s*(\d{1,3})\s*\]$", name)
            if wide and wide[1] != wide[2]:
                kind, width = "bus", abs(int(wide[1]) - int(wide[2])) + 1
        elif kind == "bus":
            wide = re.search(r"\[\s*(\d{1,3})\s*:\s*(\d{1,3})\s*\]$", name)
            if wide:
                width = min(64, abs(int(wide[1]) - int(wide[2])) + 1)
        head.columns.append(Column(shown, kind, width))
    if not any(c.kind in ("bit", "bus", "volts") for c in head.columns):
        raise CaptureError.at(
            findings.name,
            "the table has no column of values",
            "0 and 1, voltages, or hex values beside the times",
        )


def _kind(values: list[str], decimal: str) -> tuple[Kind, int]:
    filled = [v for v in values if v]
    if not filled:
        return "skip", 1
    if all(v.casefold() in LEVELS for v in filled):
        return "bit", 1
    if any(_HEX.fullmatch(v) for v in filled) and all(
        _HEX.fullmatch(v) or count_of(v) is not None for v in filled
    ):
        return "bus", max(4 * len(re.sub(r"^0[xX]|[hH]$", "", v)) for v in filled)
    counts = [count_of(v) for v in filled if len(v) < 6]
    known = [c for c in counts if c is not None]
    if len(known) == len(filled):
        return "bus", max(2, max(known).bit_length())
    if all(number_like(v, decimal) or v.casefold() in ("nan", "inf", "-inf", "") for v in filled):
        return "volts", 1
    # A few bad values do not make another kind of column; they are located when they are read.
    if sum(v.casefold() in LEVELS for v in filled) >= 0.9 * len(filled):
        return "bit", 1
    if sum(number_like(v, decimal) for v in filled) >= 0.9 * len(filled):
        return "volts", 1
    return "skip", 1


def is_time_name(name: str) -> bool:
    """Whether a column of this name holds times."""
    bare = name.strip().strip("\"'")
    match = _TIME_NAME.match(bare.replace("_", " "))
    return bool(match and (match[1] or match[2]))


def _time_column(
    names: list[str], kinds: list[Kind], rows: list[list[str]], head: TableHead
) -> int | None:
    for index, name in enumerate(names):
        if is_time_name(name) and (len(name.strip()) > 1 or index == 0):
            return index
    if (head.rate is not None and any(names)) or len(names) < 2 or not rows:
        return None
    values = []
    for row in rows:
        text = row[0].replace(head.decimal, ".")
        if not _NUMBER.fullmatch(text):
            return None
        values.append(float(text))
    rising = all(a <= b for a, b in itertools.pairwise(values)) and (
        len(values) < 2 or values[0] < values[-1]
    )
    return (
        0
        if rising
        and not _INDEX_NAME.match(names[0])
        and not (kinds[0] == "bit" and len(set(values)) <= 2 and len(values) > 3)
        else None
    )


def unit_power(name: str, unit: str, given: str | None, findings: Findings) -> int:
    """The power of ten of the time unit, from what was given, the column's name or its unit."""
    if given is not None:
        if given not in UNITS:
            raise CallError(f"time unit {given!r}", "one of s, ms, us, ns, ps, fs")
        return UNITS[given]
    match = re.search(
        r"(?:[\[(/_]|\b)\s*(s|sec|seconds?|ms|us|µs|μs|ns|ps|fs)\s*[\])]?\s*$", name.strip(), re.I
    )
    for text in (match[1] if match else "", unit):
        if text.casefold() in UNITS:
            return UNITS[text.casefold()]
    findings.note("no time unit in the head: seconds are assumed")
    return 0
