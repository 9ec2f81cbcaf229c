"""What declarations in C++ and behind macros say, written as plain C, line by line where it stood.

plain = plainly(code, evaluator)
plain.text        C99 that declares the same numbers; as many lines as before
plain.scoped      tags of scoped enumerations: their enumerators are told as TAG_NAME
plain.functions   functions of one `return`, in the shape of macros with arguments
"""

from __future__ import annotations

import re
from collections.abc import Mapping

from regmap.record import dataclass

from .defines import Evaluator, Macro

MOST_TEXT = 200_000  # characters that a call, and all calls of a file, may grow to
MOST_CALL = 20_000  # characters between the brackets of a call
MOST_DEPTH = 12
_CALL = re.compile(r"\b([A-Za-z_]\w*)\s*\(")
_SCOPED = re.compile(
    r"\benum\s+(?:class|struct)\s+(\w+)(\s{0,9}:\s{0,9}[\w:]{1,40}(?:\s{1,9}\w{1,40}){0,4})?(?=\s{0,99}\{)"
)
_TYPED = re.compile(
    r"\benum(\s{1,9}\w+)?\s{0,9}:\s{0,9}[\w:]{1,40}(?:\s{1,9}\w{1,40}){0,4}(?=\s{0,99}\{)"
)
_BRACED = re.compile(r"(\b(?:const|constexpr)\b[^;={}()]{0,200}?\b\w+\s{0,9})\{([^{};]{0,400})\}")
_MADE = re.compile(r"(=\s*)[A-Za-z_][\w:]*\s{0,9}\{([^{};]{0,400})\}")
_CAST = re.compile(r"\bstatic_cast\s*<\s{0,9}([\w:\s]{1,60}?)\s{0,9}>\s{0,9}\(")
_FUNCTION = re.compile(
    r"^[ \t]*((?:[A-Za-z_][\w:]*[\s&]{1,9}){1,8})([A-Za-z_]\w*)\s*\(([^(){};]{0,400})\)\s{0,99}(?:noexcept\s{0,99})?"
    r"\{\s{0,99}return\b([^;{}]{0,1000});\s{0,99}\}",
    re.MULTILINE,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Function:
    """A function that is one expression of its parameters."""

    name: str
    params: tuple[str, ...]
    body: str
    line: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Plain:
    text: str
    scoped: frozenset[str]
    functions: tuple[Function, ...]


def plainly(code: str, evaluator: Evaluator) -> Plain:
    """`code` is without comments and directives."""
    code = re.sub(r"(?<=[0-9a-fA-F])'(?=[0-9a-fA-F])", "", code)
    code = code.replace("std::", "     ")
    code = _CAST.sub(lambda m: f"({m[1]})(", code)
    functions = tuple(
        Function(
            name=m[2],
            params=tuple(re.findall(r"(\w+)\s*(?:,|$)", m[3])),
            body=_cut_to_types(" ".join(m[4].split()), m[3]),
            line=code.count("\n", 0, m.start(2)) + 1,
        )
        for m in _FUNCTION.finditer(code)
        if "operator" not in m[1]
    )
    code = _expanded(code, evaluator.macros)
    scoped = frozenset(m[1] for m in _SCOPED.finditer(code))
    code = _SCOPED.sub(lambda m: f"enum {m[1]}", code)
    code = _TYPED.sub(lambda m: f"enum{m[1] or ''}", code)
    code = re.sub(r"\binline\b(?=[^;{}()]{0,200}\bconst)", "", code)
    code = re.sub(r"\bauto\b(?=\s+\w+\s*[={])", "int", code)
    code = _BRACED.sub(r"\1= (\2)", code)
    code = _MADE.sub(r"\1(\2)", code)
    return Plain(text=code, scoped=scoped, functions=functions)


def _cut_to_types(body: str, params: str) -> str:
    """The expression with its parameters as narrow as their types make them."""
    for kind, name in re.findall(r"\b(uint(?:8|16|32|64)_t)\s+(\w+)\s*(?:,|$)", params):
        body = re.sub(rf"\b{name}\b", f"(({kind}){name})", body)
    return body


def _declares(macro: Macro) -> bool:
    """Whether it makes names or declarations, not a number."""
    if macro.params is None:
        return False
    called = set(_CALL.findall(macro.body)) & set(macro.params)
    return bool(called or "##" in macro.body or re.search(r"\b(?:enum|const|static)\b", macro.body))


def _expanded(code: str, macros: Mapping[str, Macro]) -> str:
    """With the calls of macros that make declarations replaced; a call keeps its lines."""
    making = {name: m for name, m in macros.items() if _declares(m)}
    if not making:
        return code
    out, at, size = [], 0, 0
    closings = _closings(code)
    for match in _CALL.finditer(code):
        if match.start() < at or match[1] not in making or size > MOST_TEXT:
            continue
        end = closings.get(match.end(), 0)
        if not 0 < end - match.end() < MOST_CALL:
            continue
        text = _of_call(code[match.start() : end], making, 0)
        if text is None:
            continue
        size += len(text)
        out += [code[at : match.start()], text, "\n" * code.count("\n", match.start(), end)]
        at = end
    return "".join([*out, code[at:]])


def _of_call(text: str, making: Mapping[str, Macro], depth: int) -> str | None:
    """One call and all calls in what it becomes; None where that costs too much or cannot be."""
    match = _CALL.match(text)
    if match is None or depth > MOST_DEPTH:
        return None
    macro = making[match[1]]
    arguments = _arguments(text[match.end() : -1])
    if macro.params is None or len(arguments) != len(macro.params):
        return None
    given = dict(zip(macro.params, arguments, strict=True))
    body = re.sub(
        r"(?<!#)#\s*([A-Za-z_]\w*)", lambda m: f'"{given[m[1]]}"' if m[1] in given else m[0],
        re.sub(r"\s*##\s*", "##", macro.body),
    )  # fmt: skip
    body = re.sub(r'"[^"]*"|[A-Za-z_]\w*', lambda m: given.get(m[0], m[0]), body)
    body = body.replace("##", "")
    out, at, size = [], 0, 0
    closings = _closings(body)
    for call in _CALL.finditer(body):
        if call.start() < at or call[1] not in making or call[1] == match[1]:
            continue
        end = closings.get(call.end(), 0)
        inner = _of_call(body[call.start() : end], making, depth + 1) if end > 0 else None
        if inner is None:
            return None
        size += len(inner)
        if size > MOST_TEXT:
            return None
        out += [body[at : call.start()], inner]
        at = end
    return "".join([*out, body[at:]])


def _closings(text: str) -> dict[int, int]:
    """Behind every opening bracket: where the text goes on behind the one that closes it."""
    found: dict[int, int] = {}
    waiting: list[int] = []
    for match in re.finditer(r"[()]", text):
        if match[0] == "(":
            waiting.append(match.end())
        elif waiting:
            found[waiting.pop()] = match.end()
    return found


def _arguments(text: str) -> list[str]:
    found, depth, start = [], 0, 0
    for at, char in enumerate(text):
        depth += (char in "([{") - (char in ")]}")
        if char == "," and depth == 0:
            found.append(text[start:at].strip())
            start = at + 1
    return [*found, text[start:].strip()]
