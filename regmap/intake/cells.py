"""Single cells of data sheets: bits, access, reset, names, options and scales in the usual spellings.

Each function gives None where the text says nothing that it knows. Spellings are common practice, no source.
"""

from __future__ import annotations

import re
import unicodedata

_DASH = dict.fromkeys(map(ord, "\u2010\u2011\u2012\u2013\u2014\u2212"), "-")
_NUMBER = r"\d+(?:\.\d+)?"
_UNIT = r"(?:[munpkM\u00b5\u03bc]?(?:A|V|s|Hz|Ohm|ohm|\u03a9|F|C|W)|%|degC|\u00b0C|V/V|V/us|V/ns)"

ACCESS_WORDS = {
    "rw": "rw r/w read/write readwrite read-write w/r wr read+write",
    "ro": "r ro read readonly read-only r/o ronly r-only",
    "wo": "w wo write writeonly write-only w/o w-only",
    "w1c": "w1c rw1c r/w1c w1tc r/w1tc rw1tc write1toclear writeonetoclear r/wc1 rc_w1 w1-c w1clr read/write1toclear",
    "w0c": "w0c rw0c r/w0c write0toclear rc_w0 w0tc",
    "rc": "rc r/c rclr r/clr rtc cor readclear read-clear clearonread readtoclear rc_r r/rc rcl readclears",
    "once": "once wonce writeonce write-once w1once rwo r/wonce wo1 rwonce otw",
    "sc": "sc wsc w/sc r/wsc rwsc selfclearing self-clearing r/sc rw/sc w-sc",
}
_ACCESS = {word: access for access, words in ACCESS_WORDS.items() for word in words.split()}

_RESERVED = re.compile(r"(reserved|rsvd?|rfu|unused|res|-+|n/?a|not used|x+|0|1)\.?", re.I)


def plain(text: str) -> str:
    """One line, usual dashes, no footnote marks: what the comparisons below work on."""
    text = unicodedata.normalize("NFKC", _no_marks(text)).translate(_DASH)
    return " ".join(text.split())


def _no_marks(text: str) -> str:
    """Without footnote marks: superscript digits, asterisks and bracketed numbers at the end."""
    text = re.sub(r"[\u00b9\u00b2\u00b3\u2070-\u2079\u2020\u2021]+", "", text)
    return re.sub(r"(?<=\w)\s*(?:\*+|\(\d\)|\[\d\]\*)\s*$", "", text)


def bits_of(text: str) -> tuple[int, ...] | None:
    """Bit numbers, the most significant first: `7:4`, `[7:4]`, `7-4`, `7..4`, `D7..D4`, `bit 3`, `3`.

    Several ranges with commas make one list.
    """
    text = re.sub(
        r"\b(bits?|to|through)\b",
        lambda m: "-" if m[1] in ("to", "through") else "",
        plain(text).lower(),
    )
    text = re.sub(r"[\[\](){}<>]|\b[a-z]{1,2}(?=\d)|\s", "", text)
    found: list[int] = []
    for piece in text.split(","):
        match = re.fullmatch(r"(\d{1,2})(?:(?::|-|\.\.+|/|~|\u2026)(\d{1,2}))?", piece)
        if not match:
            return None
        high = int(match[1])
        low = int(match[2]) if match[2] else high
        step = -1 if high >= low else 1
        found += range(high, low + step, step)
    if len(found) > 1 and found[0] < found[-1]:
        found.reverse()
    return tuple(found) if len(set(found)) == len(found) and max(found) < 64 else None


def access_of(text: str) -> str | None:
    """The word of maps for an access."""
    key = re.sub(r"[\s()]", "", plain(text).lower())
    return _ACCESS.get(key) or _ACCESS.get(key.replace("-", "").replace("/", ""))


def number_of(text: str, *, radix: int | None = None, width: int = 0) -> tuple[int, bool] | None:
    """(value, sure). Hex, binary or decimal by its mark; without a mark by `radix`, or by the width.

    Not sure: digits that hex and decimal read differently while both fit.
    """
    text = plain(text).replace("_", "").replace(" ", "").lower()
    forms = (
        (r"(?:\d*'h|0x|h'?|\$|#)([0-9a-f]+)", 16),
        (r"(?:\d*'b|0b|b'?)([01]+)", 2),
        (r"\d*'d(\d+)", 10),
        (r"([0-9a-f]+)(?:h|hex)", 16),
        (r"([01]+)b(?:in)?", 2),
        (r"(\d+)d", 10),
    )
    for pattern, base in forms:
        match = re.fullmatch(pattern, text)
        if match:
            return int(match[1], base), True
    if radix is not None:
        try:
            return int(text, radix), True
        except ValueError:
            return None
    if not re.fullmatch(r"[0-9a-f]*\d[0-9a-f]*", text):
        return None
    if not text.isdigit():
        return int(text, 16), True
    if width > 1 and len(text) == width and set(text) <= {"0", "1"}:
        return int(text, 2), True
    decimal, hexed = int(text), int(text, 16)
    if width and decimal >> width and not hexed >> width:
        return hexed, False
    return decimal, decimal == hexed or bool(width and hexed >> width)


def name_of(text: str) -> str:
    """A name as maps take it; index ranges in brackets are dropped, `GATE CTRL 1` is GATE_CTRL_1."""
    text = re.sub(r"[\[<(]\s*\d+\s*(?:[:.\-]+\s*\d+\s*)?[\])>]\s*$", "", plain(text))
    text = re.sub(r"\W+", "_", text, flags=re.ASCII).strip("_")
    return f"N{text}" if text[:1].isdigit() else text


def reserved(text: str) -> bool:
    """Whether a name says that nothing is there."""
    return bool(_RESERVED.fullmatch(plain(text))) or plain(text).lower().startswith("reserved")


_CODE = r"(?:0x[0-9a-fA-F]+|0b[01_]+|\d*'[hb][0-9a-fA-F]+|[01]+b|[0-9A-F]{1,2}h|\d{1,4})"
_OPTION = re.compile(
    rf"(?:^|[\n;,.(|]\s*|\s{{1,}})({_CODE})\s*(?:=|:|->|\u2192|\u21d2|-(?=\s))\s*(?=\S)"
)


def options_of(text: str, width: int) -> tuple[dict[int, str], str] | None:
    """Options that a description lists, as `0 = off, 1 = on`, and what is in doubt about them ("" for nothing)."""
    text = unicodedata.normalize("NFKC", _no_marks(text)).translate(_DASH)
    marks = list(_OPTION.finditer(text))
    if len(marks) < 2 and not (marks and width == 1):
        return None
    codes = [m[1] for m in marks]
    bare = [c for c in codes if re.fullmatch(r"\d+", c)]
    binary = (
        width > 1
        and bool(bare)
        and all(set(c) <= {"0", "1"} for c in bare)
        and any(len(c) > 1 for c in bare)
    )
    if binary and any(len(c) != width for c in bare):
        return {}, f"codes {', '.join(bare)} of {width} bits read as binary and as decimal"
    found: dict[int, str] = {}
    for mark, after in zip(marks, [*marks[1:], None], strict=True):
        said = text[mark.end() : after.start() if after else len(text)]
        said = re.split(r"\n\s*\n|\.\s+(?=[A-Z])", said)[0]
        said = " ".join(said.split()).strip(" ;,.|()")
        value = number_of(mark[1], radix=2 if binary and mark[1] in bare else None, width=width)
        if value is None or not said:
            continue
        if value[0] >> width:
            return {}, f"code {mark[1]} does not fit {width} bits"
        if value[0] in found and found[value[0]] != said:
            return {}, f"code {mark[1]} is listed twice"
        found[value[0]] = said
    return (found, "") if len(found) >= (1 if width == 1 else 2) else None


def without_options(text: str) -> str:
    """What a description says before its options begin."""
    text = unicodedata.normalize("NFKC", _no_marks(text)).translate(_DASH)
    mark = _OPTION.search(text)
    return " ".join((text[: mark.start()] if mark else text).split()).strip(" ;,.:(")


_Q = rf"({_NUMBER}\s*{_UNIT})"
_N = r"(?:n|N|code|CODE|value|x\b|register value|[A-Z_]{3,}(?:\[\d:\d\])?)"
_X = r"\s*(?:x|\u00d7|\*|\u00b7|times)\s*"
_SCALES: tuple[tuple[re.Pattern[str], str], ...] = (
    (re.compile(rf"{_Q}\s*\+\s*{_N}{_X}{_Q}"), "offset step"),
    (re.compile(rf"{_Q}\s*\+\s*{_Q}{_X}{_N}"), "offset step"),
    (re.compile(rf"{_N}{_X}{_Q}\s*\+\s*{_Q}"), "step offset"),
    (re.compile(rf"{_Q}{_X}{_N}\s*\+\s*{_Q}"), "step offset"),
    (re.compile(rf"\(\s*{_N}\s*\+\s*1\s*\){_X}{_Q}"), "both"),
    (re.compile(rf"{_Q}{_X}\(\s*{_N}\s*\+\s*1\s*\)"), "both"),
    (re.compile(rf"(?:from\s+)?{_Q}\s*(?:to|-|\.\.)\s*{_NUMBER}\s*{_UNIT}\s*(?:in|,)?\s*(?:steps? of\s*)?{_Q}\s*(?:steps?)?"), "offset step"),
    (re.compile(rf"{_N}{_X}{_Q}"), "step"),
    (re.compile(rf"{_Q}{_X}{_N}"), "step"),
    (re.compile(rf"{_Q}\s*(?:per|/)\s*(?:LSB|lsb|step|bit|code)"), "step"),
)  # fmt: skip


def scale_of(text: str) -> tuple[str, str] | None:
    """(step, offset) from words such as `100 ns + n x 50 ns`; the offset is "" where it is nothing."""
    text = plain(text)
    for pattern, order in _SCALES:
        match = pattern.search(text)
        if match:
            found = [quantity(g) for g in match.groups()]
            if order == "both":
                return found[0], found[0]
            if order == "step":
                return found[0], ""
            return (found[1], found[0]) if order == "offset step" else (found[0], found[1])
    return None


def quantity(text: str) -> str:
    """`50ns` as `50 ns`, units as maps write them."""
    match = re.fullmatch(rf"([+-]?{_NUMBER})\s*(\S+)", plain(text))
    if not match:
        return plain(text)
    unit = (
        match[2]
        .replace("\u03bc", "u")
        .replace("\u00b5", "u")
        .replace("\u03a9", "ohm")
        .replace("Ohm", "ohm")
    )
    return f"{match[1]} {unit}"


def is_quantity(text: str) -> bool:
    """Whether a text is one number with a unit."""
    return bool(re.fullmatch(rf"[+-]?{_NUMBER}\s*{_UNIT}", plain(text)))
