"""What puts a definition right: the number written as its author writes numbers, and a patch of all of them."""

from __future__ import annotations

import difflib
import re
from collections.abc import Iterable, Iterator

from regmap.record import dataclass

from .defines import Define
from .integers import LP64, Unreadable, literal

_LITERAL = re.compile(r"(\(?\s*)(0[xX][0-9a-fA-F]+|0[bB][01]+|\d+)([uUlL]*)(\s*\)?)")
_BIT = re.compile(r"((?:\w*_)?BIT_?(?:ULL|U?\d+)?)\s*\(\s*\d+[uUlL]*\s*\)")
_SPAN = re.compile(r"((?:\w*_)?GENMASK_?(?:ULL|U?\d+)?)\s*\(\s*\d+[uUlL]*\s*,\s*\d+[uUlL]*\s*\)")


@dataclass(frozen=True, slots=True)
class Fix:
    """`old` at this 1-based line and column becomes `new`; `name` is what is defined there."""

    name: str
    line: int
    column: int
    old: str
    new: str
    file: str = ""

    @property
    def literal(self) -> bool:
        """Whether the number itself stands there, not one worked out from other macros."""
        return any(p.fullmatch(self.old) for p in (_LITERAL, _BIT, _SPAN))


def fix_of(item: Define, right: int | None) -> Iterator[Fix]:
    """The fix of a definition whose number should be `right`; none where the number does not stand in its own line."""
    start = item.value_column - 1
    if right is None or not item.body or item.text[start : start + len(item.body)] != item.body:
        return
    stands = _LITERAL.fullmatch(item.body)
    if stands is not None and item.value not in (None, _number(stands)):
        return  # another definition's number, or one that its type cuts
    yield Fix(
        item.name, item.line, item.value_column, item.body, restated(item.body, right), item.file
    )


def _number(stands: re.Match[str]) -> int | None:
    digits, suffix = stands[2], stands[3]
    try:
        return literal(digits, suffix, LP64).value
    except Unreadable:
        return None


def restated(body: str, value: int) -> str:
    """`value` as the author wrote the number before: base, digits, suffix, BIT() and GENMASK() kept."""
    literal = _LITERAL.fullmatch(body)
    if literal is not None:
        before, digits, suffix, behind = literal.groups()
        return f"{before}{_like(digits, value)}{suffix}{behind}"
    bit, span = _BIT.fullmatch(body), _SPAN.fullmatch(body)
    if value:
        low, high = (value & -value).bit_length() - 1, value.bit_length() - 1
        if bit is not None and low == high:
            return f"{bit[1]}({low})"
        if span is not None and value == (1 << high + 1) - (1 << low):
            return f"{span[1]}({high}, {low})"
    return f"0x{value:X}U"


def _like(digits: str, value: int) -> str:
    base = digits[:2].lower()
    if base == "0x":
        made = f"{value:0{len(digits) - 2}x}"
        lower = any(c in "abcdef" for c in digits[2:])
        return digits[:2] + (made if lower else made.upper())
    if base == "0b":
        return digits[:2] + f"{value:0{len(digits) - 2}b}"
    return str(value)


def patched(text: str, fixes: Iterable[Fix]) -> str:
    """The text with every fix in its place; of two for one place the first."""
    lines = text.split("\n")
    done: set[tuple[int, int]] = set()
    # from the right, so that the columns of those before stay
    for fix in sorted(fixes, key=lambda f: (f.line, -f.column)):
        line, start = lines[fix.line - 1], fix.column - 1
        if (fix.line, fix.column) in done or line[start : start + len(fix.old)] != fix.old:
            continue
        done.add((fix.line, fix.column))
        lines[fix.line - 1] = line[:start] + fix.new + line[start + len(fix.old) :]
    return "\n".join(lines)


def as_patch(name: str, old_text: str, new_text: str) -> str:
    """The unified diff of the file called `name`, for `patch -p1` and `git apply`."""
    old, new = old_text.splitlines(keepends=True), new_text.splitlines(keepends=True)
    return "".join(
        line if line.endswith("\n") else f"{line}\n\\ No newline at end of file\n"
        for line in difflib.unified_diff(old, new, f"a/{name}", f"b/{name}")
    )
