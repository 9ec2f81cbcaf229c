"""Wrong copies of generated frame code, one change each: as a compiler that miscompiles would leave it, or a slip of ours."""

from __future__ import annotations

import re
from collections.abc import Iterator

from regmap.record import dataclass

#: a move, a mask, what a helper takes bits with; a check that finds something; what a routine returns
_MOVE = re.compile(r"(?:<<|>>) (\d+)")
_MASK = re.compile(r"& (0x[0-9A-F]+)")
_TAKE = re.compile(r"take\(\w+, (\d+)U?, (\d+)U?\)")
_FOUND = re.compile(r"errors \|= [^;\n]+;|sound = false;")
_ASKED = re.compile(r"return \(.*\) \? (\w+) : 0U;")
_PLACE = re.compile(r"(?:out|in|data)\[(\d+)\]")
_COUNT = re.compile(r"place \* (\d+)")


@dataclass(frozen=True, slots=True)
class Mutant:
    """The text from `start` to `end` is `text` instead; `line` is what stood there."""

    start: int
    end: int
    text: str
    line: str

    def of(self, whole: str) -> str:
        return whole[: self.start] + self.text + whole[self.end :]


def mutants(whole: str) -> list[Mutant]:
    """Every mutant of what stands in a text from its frames on."""
    head = re.search(r"--- frames|^namespace frames|^pub mod frames", whole, re.MULTILINE)
    assert head is not None
    found = []
    for start, end, text in sorted(_changes(whole, head.start())):
        first = whole.rfind("\n", 0, start) + 1
        line = whole[first : whole.find("\n", end)].strip()
        if "static_assert" not in line and not line.startswith(("/*", "//", "#define", "*")):
            found.append(Mutant(start, end, text, line))
    return found


def _changes(whole: str, at: int) -> Iterator[tuple[int, int, str]]:
    for m in _MOVE.finditer(whole, at):
        yield m.start(1), m.end(1), str(int(m[1]) + 1)
    for m in _MASK.finditer(whole, at):
        value = int(m[1], 16)
        for other in {value ^ 1 << (value.bit_length() - 1), value ^ (value & -value)}:
            yield m.start(1), m.end(1), f"0x{other:X}"
    for m in _TAKE.finditer(whole, at):
        yield m.start(1), m.end(1), str(int(m[1]) + 1)
        if int(m[2]) > 1:
            yield m.start(2), m.end(2), str(int(m[2]) - 1)
    for m in _FOUND.finditer(whole, at):
        yield m.start(), m.end(), ""
    for m in _ASKED.finditer(whole, at):
        yield m.start(1), m.end(1), "0U"
    for m in _PLACE.finditer(whole, at):
        if int(m[1]) > 0:
            yield m.start(1), m.end(1), str(int(m[1]) - 1)
    for m in _COUNT.finditer(whole, at):
        yield m.start(1), m.end(1), str(int(m[1]) - 1)
