"""The #defines of a C header with their values, as far as they are numbers. No preprocessor, no includes.

    for item in read_defines(text): item.name, item.value, item.comment, item.line ...

Values may use integers with suffixes, other macros of the same file, brackets, casts to integer
types, `UINT16_C(...)` and the operators of integer arithmetic. What cannot be evaluated keeps
`value` None and says why; conditional sections are all read, as if each were active.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass

MAX_DEPTH = 40
MAX_BITS = 4096


@dataclass(frozen=True, slots=True, kw_only=True)
class Define:
    """One #define: 1-based line and columns; `text` is its first line, `why` tells why `value` is None."""

    name: str
    body: str
    value: int | None
    comment: str
    line: int
    column: int
    value_column: int
    text: str
    why: str = ""


class _Unreadable(Exception):  # noqa: N818 (never leaves this module)
    """Why a value cannot be known."""


_DEFINE = re.compile(r"[ \t]*#[ \t]*define[ \t]+([A-Za-z_]\w*)(\()?")
_TOKEN = re.compile(
    r"\s*(?:(0[xX][0-9a-fA-F]+|0[bB][01]+|\d+)([uUlL]*)(?![\w.])"
    r"|([A-Za-z_]\w*)|(<<|>>|[-+*/%|&^~()])|(\S))"
)
_TYPE = {"unsigned", "signed", "int", "long", "short", "char"}
_LEVELS = (("|",), ("^",), ("&",), ("<<", ">>"), ("+", "-"), ("*", "/", "%"))


def read_defines(text: str) -> list[Define]:
    """Every object-like macro with a body, in the order of the file; include guards are left out.

    Macros with arguments are listed without a value.
    """
    raw: list[tuple[Define, str]] = []
    bodies: dict[str, str] = {}
    for line, whole, code, comment in _logical_lines(text):
        match = _DEFINE.match(code)
        if match is None:
            continue
        name = match[1]
        body = code[match.end() :]
        column, at = match.start(1) + 1, match.end() + len(body) - len(body.lstrip()) + 1
        why = "it takes arguments" if match[2] else ""
        body = body.strip()
        if not body and not why:
            continue
        item = Define(
            name=name,
            body=body,
            value=None,
            comment=comment,
            line=line,
            column=column,
            value_column=at,
            text=whole,
            why=why,
        )
        raw.append((item, why))
        if not why:
            bodies.setdefault(name, body)
    return [_evaluated(item, bodies) for item, _ in raw]


def _evaluated(item: Define, bodies: dict[str, str]) -> Define:
    value, why = None, item.why
    if not why:
        try:
            value = _Evaluator(bodies).value(item.body, 0)
        except _Unreadable as error:
            why = str(error)
    return Define(
        name=item.name,
        body=item.body,
        value=value,
        comment=item.comment,
        line=item.line,
        column=item.column,
        value_column=item.value_column,
        text=item.text,
        why=why,
    )


def _logical_lines(text: str) -> Iterator[tuple[int, str, str, str]]:
    """(line number, first line as it stands, code without comments, text of its comments)."""
    lines = text.split("\n")
    index, inside = 0, False
    while index < len(lines):
        start, whole = index, lines[index].rstrip("\r")
        logical = whole
        while logical.endswith("\\") and index + 1 < len(lines):
            index += 1
            # a blank stands for the splice, so that columns of the first line stay right
            logical = logical[:-1] + " " + lines[index].rstrip("\r")
        index += 1
        code, comment, inside = _without_comments(logical, inside)
        while inside and code.strip() and index < len(lines):
            # the rest of a comment that began behind a definition belongs to it
            more, rest, inside = _without_comments(lines[index], inside)
            comment = f"{comment} {rest}"
            if more.strip():
                break
            index += 1
        yield start + 1, whole, code, " ".join(comment.split())


def _without_comments(line: str, inside: bool) -> tuple[str, str, bool]:
    """Comments of a line are replaced by blanks of the same length; their text comes apart."""
    code, comment, at = [], [], 0
    while at < len(line):
        if inside:
            end = line.find("*/", at)
            stop = len(line) if end < 0 else end
            comment.append(line[at:stop])
            inside = end < 0
            code.append(" " * (min(len(line), stop + 2) - at))
            at = stop + 2
            continue
        match = re.search(r'/\*|//|"(?:\\.|[^"\\])*"|\'(?:\\.|[^\'\\])*\'', line[at:])
        if match is None:
            code.append(line[at:])
            break
        code.append(line[at : at + match.start()])
        at += match.start()
        found = match[0]
        if found == "//":
            comment.append(line[at + 2 :])
            code.append(" " * (len(line) - at))
            break
        if found == "/*":
            inside = True
            code.append("  ")
        else:
            code.append(found)
        at += len(found)
    return "".join(code), " ".join(comment), inside


class _Evaluator:
    """Integer constant expressions by recursive descent; other macros are looked up on the way."""

    def __init__(self, bodies: dict[str, str]) -> None:
        self.bodies = bodies

    def value(self, body: str, depth: int) -> int:
        if depth > MAX_DEPTH or len(body) > 2000:
            raise _Unreadable("it is nested too deeply, or defined by itself")
        tokens: list[tuple[str, str]] = []
        for match in _TOKEN.finditer(body):
            number, _, name, operator, other = match.groups()
            if other is not None:
                raise _Unreadable(f"{other!r} is not part of a whole number")
            if number is not None:
                tokens.append(("number", number))
            elif name is not None:
                tokens.append(("name", name))
            elif operator is not None:
                tokens.append(("op", operator))
        if not tokens:
            raise _Unreadable("it has no value")
        self_ = _Run(self, tokens, depth)
        result = self_.level(0)
        if self_.at < len(tokens):
            raise _Unreadable(f"{tokens[self_.at][1]!r} does not belong to a whole number")
        return result


class _Run:
    def __init__(self, outer: _Evaluator, tokens: list[tuple[str, str]], depth: int) -> None:
        self.outer, self.tokens, self.depth, self.at, self.nested = outer, tokens, depth, 0, 0

    def peek(self) -> tuple[str, str]:
        return self.tokens[self.at] if self.at < len(self.tokens) else ("end", "")

    def level(self, index: int) -> int:
        if index == len(_LEVELS):
            return self.unary()
        left = self.level(index + 1)
        while self.peek()[0] == "op" and self.peek()[1] in _LEVELS[index]:
            operator = self.peek()[1]
            self.at += 1
            left = self.apply(operator, left, self.level(index + 1))
        return left

    def apply(self, operator: str, a: int, b: int) -> int:
        if operator in ("<<", ">>") and not 0 <= b < 64:
            raise _Unreadable(f"a shift by {b}")
        if operator in ("/", "%") and b == 0:
            raise _Unreadable("a division by zero")
        result = {
            "|": lambda: a | b,
            "^": lambda: a ^ b,
            "&": lambda: a & b,
            "<<": lambda: a << b,
            ">>": lambda: a >> b,
            "+": lambda: a + b,
            "-": lambda: a - b,
            "*": lambda: a * b,
            "/": lambda: int(a / b) if abs(a) < 1 << 50 else a // b,
            "%": lambda: a - b * int(a / b) if abs(a) < 1 << 50 else a % b,
        }[operator]()
        if result.bit_length() > MAX_BITS:
            raise _Unreadable("a number too long")
        return result

    def unary(self) -> int:
        kind, text = self.peek()
        self.at += 1
        self.nested += 1
        if self.nested > 200:
            raise _Unreadable("it is nested too deeply")
        if kind == "number":
            if re.fullmatch(r"0\d+", text):
                if not re.fullmatch(r"[0-7]+", text):
                    raise _Unreadable(f"{text!r} is no octal number")
                return int(text, 8)
            return int(text, 0)
        if kind == "op" and text in "+-~":
            value = self.unary()
            return -value if text == "-" else ~value if text == "~" else value
        if kind == "op" and text == "(":
            if self.is_cast():
                return self.unary()
            value = self.level(0)
            if self.peek() != ("op", ")"):
                raise _Unreadable("a bracket is missing")
            self.at += 1
            return value
        if kind == "name":
            return self.name(text)
        raise _Unreadable(f"{text!r} stands where a number must" if text else "it ends too early")

    def is_cast(self) -> bool:
        """Skips `type)` where the bracket opened a cast."""
        at = self.at
        while at < len(self.tokens) and self.tokens[at][0] == "name":
            name = self.tokens[at][1]
            if name not in _TYPE and not name.endswith("_t"):
                return False
            at += 1
        if at == self.at or at >= len(self.tokens) or self.tokens[at] != ("op", ")"):
            return False
        self.at = at + 1
        return True

    def name(self, text: str) -> int:
        if self.peek() == ("op", "(") and text not in self.outer.bodies:
            if re.fullmatch(r"U?INT(8|16|32|64)_C", text):
                return self.unary()
            if text in ("BIT", "_BV"):
                return self.apply("<<", 1, self.unary())
        if text not in self.outer.bodies:
            raise _Unreadable(f"{text!r} is not a macro of this file with a number")
        return self.outer.value(self.outer.bodies[text], self.depth + 1)
