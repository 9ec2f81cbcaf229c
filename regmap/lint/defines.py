"""Numbers of a C header: what defines one, and the lines of a file without comments.

What cannot be evaluated keeps `value` None and says why.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

from regmap.record import dataclass, replace

from .expressions import Evaluator, Macro, tokens_of
from .integers import Unreadable, is_type_word

LONGEST = 4000  # characters of a body, or of a line, in which macros are expanded
_WORDS_OF_C = {
    "const",
    "static",
    "inline",
    "enum",
    "struct",
    "union",
    "typedef",
    "extern",
    "volatile",
}
_DEFINE = re.compile(r"[ \t]*#[ \t]*define[ \t]+([A-Za-z_]\w*)(\()?")


@dataclass(frozen=True, slots=True, kw_only=True)
class Define:
    """One #define: 1-based line and columns; `text` is its first line, `why` tells why `value` is None.

    Enumerators, constants and members of bit fields are told in the same shape.
    """

    name: str
    body: str
    value: int | None
    comment: str
    line: int
    column: int
    value_column: int
    text: str
    why: str = ""
    params: tuple[str, ...] | None = None
    file: str = ""
    #: what an enumerator is called too: by the name of its enumeration and its own
    also: str = ""
    #: the body with such macros expanded as make more than numbers, where it uses any
    expanded: str = ""


def evaluated(item: Define, evaluator: Evaluator) -> Define:
    """The definition with its value, or with why it has none."""
    if item.why:
        return item
    try:
        body = item.expanded or item.body
        own = evaluator.macros[item.name].body == body
        return replace(item, value=evaluator.of(item.name).value if own else evaluator.value(body))
    except Unreadable as error:
        return replace(item, why=str(error))


def define_of(file: str, line: int, whole: str, code: str, comment: str) -> Define | None:
    """What a line defines; None where it is no #define, or one whose brackets do not close."""
    match = _DEFINE.match(code)
    if match is None:
        return None
    name, body, params = match[1], code[match.end() :], None
    if match[2]:
        inside, closed, body = body.partition(")")
        params = tuple(p.strip() for p in inside.split(",") if p.strip())
        if not closed:
            return None
    return Define(
        name=name,
        body=body.strip(),
        value=None,
        comment=comment,
        line=line,
        column=match.start(1) + 1,
        value_column=len(code) - len(body.lstrip()) + 1,
        text=whole,
        why="it takes arguments" if params is not None else "",
        params=params,
        file=file,
    )


def stands_for_number(macro: Macro, making: Mapping[str, object] | set[str]) -> bool:
    """Whether a macro can be left in a declaration, because what it stands for is a number."""
    try:
        tokens = tokens_of(macro.body)
    except Unreadable:
        return len(macro.body) > LONGEST
    if not tokens:
        return False
    names = [text for kind, text in tokens if kind == "name"]
    if any(n in making or n in _WORDS_OF_C for n in names):
        return False
    if len(names) == len(tokens) and all(is_type_word(n) or n.startswith("__") for n in names):
        return False
    depth = 0
    for at, (_, text) in enumerate(tokens):
        depth += (text == "(") - (text == ")")
        if text == "," and depth == 0:
            return False
        called = tokens[at + 1 : at + 2] == [("op", "(")]
        if called and macro.params is not None and text in macro.params:
            return False  # a list of what its argument is to make
    return True


def logical_lines(text: str) -> Iterator[tuple[int, str, str, str]]:
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


def without_comments(line: str) -> str:
    """A line that begins outside a comment, its comments replaced by blanks."""
    return _without_comments(line, False)[0]


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
