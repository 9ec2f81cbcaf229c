"""Text from anywhere made harmless for a terminal and whole for a program.

Names and lines come from maps, captures, ports, paths and the shell: a control character in one
could move the cursor, hide or reorder what a person reads. It is shown by its number instead.
"""

from __future__ import annotations

import re

#: Controls (C0 but tab and line feed, DEL, C1), what reorders, what has no width, what ends a line
#: for some and not for others, and tags.
_HIDDEN = (
    "[\x00-\x08\x0b-\x1f\x7f-\x9f\xad\u034f\u061c\u115f\u1160\u180e\u200b-\u200f\u2028-\u202e"
    "\u2060-\u206f\u3164\ufeff\uffa0\ufff9-\ufffb\U000e0000-\U000e0fff]"
)


def _number(match: re.Match[str]) -> str:
    code = ord(match[0])
    return (
        f"\\x{code:02x}"
        if code < 0x100
        else f"\\u{code:04x}"
        if code < 0x10000
        else f"\\U{code:08x}"
    )


def visible(text: str) -> str:
    """`text` with every character that a terminal obeys or hides written as its number."""
    if text.isascii() and text.isprintable():
        return text
    return re.sub(_HIDDEN, _number, text)


def json_safe(text: str) -> str:
    """JSON text with the same characters as its own escapes: the content stays what it is."""

    def escape(match: re.Match[str]) -> str:
        units = match[0].encode("utf-16-be", "surrogatepass")
        return "".join(f"\\u{units[i]:02x}{units[i + 1]:02x}" for i in range(0, len(units), 2))

    return re.sub(_HIDDEN, escape, text)
