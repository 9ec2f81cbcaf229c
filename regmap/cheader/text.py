"""Text that is safe inside C: comments, strings, numbers, and lines of a bounded width.

Names and sentences come from files that people write. Nothing in them may end a comment, open
one, splice lines, form a trigraph or leave a string:

    comment("a */ b ??/")   ->  "a * / b ? ?/"
    string('say "hi"??!')   ->  '"say \\"hi\\"?\\?!"'

Non-ASCII signs of the trade become ASCII (micro sign, ohm, degree, plus-minus), Latin letters are
transliterated (Ue, e). What remains is UTF-8: as it is in a comment, as octal escapes in a string.
Characters that are invisible or turn the direction of text become `?`, so that none reaches a
reviewer's editor.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from functools import lru_cache

WIDTH = 100

_TRADE = str.maketrans(
    {
        "\u00b5": "u",
        "\u03bc": "u",
        "\u2126": "ohm",
        "\u03a9": "ohm",
        "\u00b0": "deg",
        "\u00b1": "+-",
        "\u00b7": "*",
        "\u2013": "-",
        "\u2014": "-",
        "\u2018": "'",
        "\u2019": "'",
        "\u201c": '"',
        "\u201d": '"',
        "\u2026": "...",
        "\u00d7": "x",
        "\u2264": "<=",
        "\u2265": ">=",
        "\u00a0": " ",
    }
)

_GERMAN = str.maketrans(
    {
        "ä": "ae",
        "ö": "oe",
        "ü": "ue",
        "Ä": "Ae",
        "Ö": "Oe",
        "Ü": "Ue",
        "ß": "ss",
        "æ": "ae",
        "ø": "oe",
        "å": "aa",
    }
)

#: Text without anything that a comment or a string would have to change.
_HARMLESS = re.compile(r"[A-Za-z0-9 .,;:=<>()\[\]_+%&'-]*")


def plain(text: str) -> str:
    """One line of text with the trade's signs in ASCII; other characters stay."""
    if text.isascii():
        return " ".join(text.split())
    return " ".join(text.translate(_TRADE).split())


@lru_cache(maxsize=4096)
def comment(text: str) -> str:
    """Text as it may stand inside a C comment: one line, harmless."""
    text = plain(text)
    if _HARMLESS.fullmatch(text):
        return text
    if not text.isascii() or not text.isprintable():
        text = "".join(map(_shown, text))
    if "\\" in text:
        text = text.replace("\\", "|")
    for bad, good in (("*/", "* /"), ("/*", "/ *"), ("//", "/ /"), ("??", "? ?")):
        # a replacement may set free the same pair again, as in "***/" it cannot, in "////" it does
        while bad in text:
            text = text.replace(bad, good)
    return text


def _shown(char: str) -> str:
    """A character as it may stand in a comment."""
    if " " <= char <= "~":
        return char
    import unicodedata  # most maps are in ASCII

    parts = unicodedata.normalize("NFKD", char.translate(_GERMAN))
    bare = "".join(c for c in parts if not unicodedata.combining(c))
    if bare and bare.isascii() and bare.isprintable():
        return bare
    if unicodedata.combining(char):
        return ""
    plain_way = unicodedata.bidirectional(char) not in ("R", "AL", "AN")
    return char if char.isprintable() and plain_way else "?"


def string(text: str) -> str:
    """A C string literal of one line of text, ASCII, without trigraphs."""
    text = plain(text)
    if _HARMLESS.fullmatch(text):
        return f'"{text}"'
    out = []
    previous = ""
    for char in text:
        if char in '"\\':
            out.append("\\" + char)
        elif char == "?" and previous == "?":
            out.append("\\?")
        elif " " <= char <= "~":
            out.append(char)
        else:
            # three octal digits always: a digit that follows cannot run into the escape
            out += [f"\\{byte:03o}" for byte in char.encode("utf-8", "surrogatepass")]
        previous = char
    return '"' + "".join(out) + '"'


@lru_cache(maxsize=4096)
def number(value: int, bits: int = 0) -> str:
    """A hexadecimal constant with as many digits as `bits` need.

    The suffix U alone is enough: the constant takes the first unsigned type that holds it, `unsigned
    long` where `int` has 16 bits (C11 6.4.4.1), and never a wider one than it needs.
    """
    return f"0x{value:0{max((bits + 3) // 4, 1)}X}U"


@lru_cache(maxsize=4096)
def count(value: int) -> str:
    """A decimal constant, for counts and shifts."""
    return f"{value}U"


@lru_cache(maxsize=4096)
def utype(bits: int) -> str:
    """The smallest exact-width type that holds `bits`."""
    return f"uint{storage(bits)}_t"


@lru_cache(maxsize=4096)
def storage(bits: int) -> int:
    """8, 16, 32 or 64: the bits of `utype`."""
    return next(size for size in (8, 16, 32, 64) if bits <= size)


@lru_cache(maxsize=4096)
def wtype(bits: int) -> str:
    """The type to compute in: never narrower than `int`, so nothing is promoted to a signed type."""
    return "unsigned int" if bits <= 16 else utype(bits)


def block(text: str | Sequence[str], indent: str = "") -> list[str]:
    """A comment of one or several lines, folded; `text` is escaped here."""
    room = WIDTH - len(indent) - 3
    safe = [comment(text)] if isinstance(text, str) else [comment(p) for p in text]
    if len(safe) == 1 and len(safe[0]) <= room - 6:
        return [f"{indent}/* {safe[0]} */"]
    lines = [f"{indent}/*"]
    for paragraph in safe:
        if not paragraph:
            lines.append(f"{indent} *")
        elif len(paragraph) <= room:
            lines.append(f"{indent} * {paragraph}")
        else:
            lines += [f"{indent} * {line}" for line in fold(paragraph, room)]
    return [*lines, f"{indent} */"]


def fold(text: str, room: int) -> list[str]:
    """Lines of whole words; a word longer than the room has a line of its own."""
    lines = [""]
    for word in text.split(" "):
        if lines[-1] and len(lines[-1]) + 1 + len(word) > room:
            lines.append(word)
        else:
            lines[-1] = f"{lines[-1]} {word}" if lines[-1] else word
    return lines


def define(name: str, value: str, note: str = "", column: int = 48) -> str:
    """A #define in columns, with a comment where there is room for one."""
    line = f"#define {name.ljust(column)} {value}"
    return f"{line.ljust(column + 24)} /* {comment(note)} */" if note else line


def defines(rows: Iterable[tuple[str, str, str]]) -> list[str]:
    """Rows of (name, value, note) with one column for all names."""
    rows = list(rows)
    column = max([len(name) for name, _, _ in rows], default=0)
    return [define(name, value, note, column) for name, value, note in rows]


def heading(title: str) -> list[str]:
    """The line that opens a section."""
    return ["", f"/* --- {comment(title)} {'-' * max(3, 88 - len(title))} */"]


@lru_cache(maxsize=4096)
def bracket(expr: str) -> str:
    """An expression in brackets, unless it stands in them."""
    return expr if expr.startswith("(") and _closes_at_end(expr) else f"({expr})"


def _closes_at_end(expr: str) -> bool:
    """Whether the first bracket closes only at the end."""
    depth = 0
    for index, char in enumerate(expr):
        depth += (char == "(") - (char == ")")
        if depth == 0:
            return index == len(expr) - 1
    return False
