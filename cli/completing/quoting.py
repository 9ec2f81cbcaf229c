"""A shell line as a person typed it so far: its words without their quotes.

Nothing is expanded: `$(...)`, backticks and variables stay the characters that they are.
"""

from __future__ import annotations

from regmap.record import dataclass

#: what must not stand bare in a word of bash
_SPECIAL = frozenset(" \t\"'\\$`!&|;<>()[]{}*?#~^")


@dataclass(frozen=True, slots=True)
class Typed:
    """One word: its text, its text as typed, and the quote that is still open at its end ("" for none)."""

    text: str
    raw: str
    quote: str = ""


def split(line: str) -> list[Typed]:
    """The words of a line up to the cursor, the one being typed last (it may be empty)."""
    words: list[Typed] = []
    text, start, quote, inside, at = "", 0, "", False, 0
    while at < len(line):
        char = line[at]
        escaped = char == "\\" and at + 1 < len(line) and quote != "'"
        if escaped and (not quote or line[at + 1] in '"\\$`'):
            text, inside = text + line[at + 1], True
            at += 1
        elif quote and char == quote:
            quote = ""
        elif not quote and char in "\"'":
            quote, inside = char, True
        elif not quote and char in " \t\n":
            if inside:
                words.append(Typed(text, line[start:at]))
            text, start, inside = "", at + 1, False
        else:
            text, inside = text + char, True
        at += 1
    return [*words, Typed(text, line[start:], quote)]


def word(raw: str) -> Typed:
    """One word as a shell keeps it, with its quotes; blanks inside it are part of it."""
    quote, text, at = "", "", 0
    while at < len(raw):
        char = raw[at]
        if char == "\\" and quote != "'" and at + 1 < len(raw):
            text += raw[at + 1]
            at += 1
        elif quote and char == quote:
            quote = ""
        elif not quote and char in "\"'":
            quote = char
        else:
            text += char
        at += 1
    return Typed(text, raw, quote)


def needs_quotes(text: str) -> bool:
    """Whether a shell would take `text`, bare, for something other than itself."""
    return any(c in _SPECIAL for c in text)
