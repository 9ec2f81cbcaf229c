"""What declarations in C++ say, written as plain C, line by line where it stood.

plain = plainly(code)
plain.text        C99 that declares the same numbers; as many lines as before
plain.scoped      tags of scoped enumerations: their enumerators are told as TAG_NAME

Names with `::` become names with `_`, as `chunks` tells them: (first line, scope, text) of each
declaration and function, the scope being the namespaces around it.
"""

from __future__ import annotations

import re
from bisect import bisect
from collections.abc import Iterator

from regmap.record import dataclass

MOST_DEEP = 12  # namespaces within one another
_SCOPED = re.compile(
    r"\benum\s+(?:class|struct)\s+(\w+)(\s{0,9}:\s{0,9}[\w:]{1,40}(?:\s{1,9}\w{1,40}){0,4})?(?=\s{0,99}\{)"
)
_TYPED = re.compile(
    r"\benum(\s{1,9}\w+)?\s{0,9}:\s{0,9}[\w:]{1,40}(?:\s{1,9}\w{1,40}){0,4}(?=\s{0,99}\{)"
)
_BRACED = re.compile(r"(\b(?:const|constexpr)\b[^;={}()]{0,200}?\b\w+\s{0,9})\{([^{};]{0,400})\}")
_MADE = re.compile(r"(=\s*)[A-Za-z_][\w:]*\s{0,9}\{([^{};]{0,400})\}")
#: table<row_t, 3> rows = ...; a row that says its type
_ARRAY = re.compile(
    r"\b\w+\s{0,9}<\s{0,9}(?P<row>[A-Za-z_]\w*)\s{0,9},[^<>;{}\n]{1,60}>[ \t]{1,9}(?P<name>\w+)\s{0,9}=\s{0,9}"
    r"(?P<both>\{(?=\s{0,9}\{))?\s{0,9}(?(both)\{|)"
)
_NAMED_ROW = re.compile(
    r"([{,]\s{0,4000})(?!(?:union|struct|class|enum|do|try|else|namespace)\b)[A-Za-z_]\w*\{"
)
_CAST = re.compile(r"\bstatic_cast\s*<\s{0,9}([\w:\s]{1,60}?)\s{0,9}>\s{0,9}\(")
_SPACE = re.compile(
    r'(?:extern\s+"C"|(?:\binline\s+)?\bnamespace(?:\s+(?P<space>\w+(?:::\w+)*))?)\s*\{|\b(?:struct|class)\s+(?P<kind>\w+)[^{;=()]{0,200}\{'
)
_CONSTANT = re.compile(r"\bstatic\s+(?:inline\s+)?const(?:expr)?\b|\bconstexpr\s+static\b")
#: what may stand between a function's parameters and its body
_BEHIND = re.compile(r"(?:\s*\b(?:const|noexcept|override|final)\b)+\s*$")


@dataclass(frozen=True, slots=True, kw_only=True)
class Plain:
    text: str
    scoped: frozenset[str]


@dataclass(frozen=True, slots=True)
class Chunk:
    """A declaration or, where `function` says so, a function, as it stood from 1-based `line` on."""

    line: int
    scope: tuple[str, ...]
    text: str
    function: bool = False


def plainly(code: str) -> Plain:
    """`code` is without comments and directives."""
    code = re.sub(r"(?<=[0-9a-fA-F])'(?=[0-9a-fA-F])", "", code)
    code = code.replace("std::", "     ")
    code = _CAST.sub(lambda m: f"({m[1]})(", code)
    scoped = frozenset(m[1] for m in _SCOPED.finditer(code))
    code = _SCOPED.sub(lambda m: f"enum {m[1]}", code)
    code = _TYPED.sub(lambda m: f"enum{m[1] or ''}", code)
    code = re.sub(r"\binline\b(?=[^;{}()]{0,200}\bconst)", "", code)
    code = re.sub(r"\bauto\b(?=\s+\w+\s*[={])", "int", code)
    code = _BRACED.sub(_given, code)
    code = _arrays(code)
    code = _NAMED_ROW.sub(r"\1{", code)
    code = _MADE.sub(r"\1(\2)", code)
    return Plain(text=code, scoped=scoped)


def _given(match: re.Match[str]) -> str:
    """`int a{1}` as `int a= (1)`, `row r{1, 2}` as `row r= {1, 2}`."""
    inner = match[2]
    if "," in re.sub(r"\([^()]*\)", "", inner) or inner.lstrip().startswith("."):
        return f"{match[1]}= {{{inner}}}"
    return f"{match[1]}= ({inner})"


def _arrays(code: str) -> str:
    """Arrays that are a structure around one, as C has them: `table<row_t, 2> rows = {{a, b}}` without the outer brackets."""
    made = list(_ARRAY.finditer(code))
    closing = _closings(code) if made else {}
    text = list(code)
    for match in made:
        if match["both"]:
            inner = match.end()
            end = closing.get(inner)
            outer = code.find("}", end + 1) if end is not None else -1
            if outer < 0 or code[end or 0 : outer].strip("} \n\t,"):
                continue
            text[outer] = " "
            text[match.start("both")] = " "
        space = match.end("name") - match.start() - len(f"{match['row']} {match['name']}[]")
        text[match.start() : match.end("name")] = (
            f"{match['row']} {match['name']}[]{' ' * max(space, 0)}"
        )
    return "".join(text)


def chunks(code: str) -> Iterator[Chunk]:
    """Each declaration and function at the scope of a file, a namespace, or a class of constants."""
    opens: dict[int, tuple[int, tuple[str, ...]]] = {}
    closing = _closings(code)
    constants = [m.start() for m in _CONSTANT.finditer(code)]
    for match in _SPACE.finditer(code):
        if match["kind"] is None:
            opens[match.start()] = (match.end(), tuple((match["space"] or "").split("::")))
        elif bisect(constants, match.end()) < bisect(constants, closing.get(match.end(), 0)):
            opens[match.start()] = (match.end(), (match["kind"],))
    scopes: list[tuple[str, ...]] = [()]
    at, depth, start, line, first, begun = 0, 0, 0, 1, 1, False
    while at < len(code):
        char = code[at]
        if depth == 0 and at in opens:
            behind, named = opens[at]
            scopes.append((*scopes[-1], *(n for n in named if n))[:MOST_DEEP])
            line += code.count("\n", at, behind)
            at, begun = behind, False
            continue
        if char == "\n":
            line += 1
        if not begun and not char.isspace():
            begun, start, first = True, at, line
        if char in "{(":
            depth += 1
        elif char in "})":
            depth -= 1
            if depth < 0:  # the end of a namespace
                depth, begun = 0, False
                if len(scopes) > 1:
                    scopes.pop()
        if depth == 0 and char == ";" and begun:
            yield Chunk(first, scopes[-1], _joined(code[start : at + 1]))
            begun = False
        elif depth == 0 and char == "}" and begun and _is_function(code[start:at]):
            yield Chunk(first, scopes[-1], _joined(code[start : at + 1]), function=True)
            begun = False
        at += 1
    if begun:  # a bracket that is never closed
        yield Chunk(first, scopes[-1], _joined(code[start:]))


def _joined(text: str) -> str:
    return re.sub(r"(?<=\w)::(?=\w)", "_", text)


def _is_function(text: str) -> bool:
    head = _BEHIND.sub("", text.partition("{")[0])
    return "=" not in head and head.rstrip().endswith(")")


def _closings(text: str) -> dict[int, int]:
    """Behind every opening brace: where the one that closes it stands."""
    found: dict[int, int] = {}
    waiting: list[int] = []
    for match in re.finditer(r"[{}]", text):
        if match[0] == "{":
            waiting.append(match.end())
        elif waiting:
            found[waiting.pop()] = match.start()
    return found
