"""Declarations of a C header that carry numbers: enumerators, constants, bit fields, constant tables.

    found = read_declarations(text, evaluator)
    found.constants     enumerators and integer constants, as `Define`s
    found.layouts       structures of bit fields with where each member lies
    found.rows          rows of constant tables: what register is written, and its word
    found.described     structures that say address, shift, width, reset word of what they name
    found.arrays        arrays of numbers, as they stand
    found.functions     functions that are one expression

Each declaration is parsed by itself with a real parser of C99 (pycparser), so what it cannot know, a
type of another header or a compiler's own words, costs that declaration only.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

from regmap.record import dataclass, field, replace

from .defines import Define, Evaluator, Macro, Unreadable, logical_lines
from .dialect import plainly

MAX_BRACKETS = 60
#: words of compilers that say where or how something lies, not what it is
_DECORATION = re.compile(
    r"__attribute__\s*\(\(.*?\)\)|__declspec\s*\([^)]*\)|\[\[.*?\]\]|\b(?:alignas|_Alignas)\s*\([^)]*\)"
    r"|\b(?:__packed|PACKED|PROGMEM|__flash|__code|__IO?|__extension__|constexpr|__inline|__const)\b",
    re.S,
)
_BASIC = (
    "typedef unsigned char uint8_t, u8; typedef unsigned short uint16_t, u16; typedef unsigned int uint32_t, u32;"
    "typedef unsigned long long uint64_t, u64; typedef signed char int8_t; typedef short int16_t;"
    "typedef int int32_t; typedef long long int64_t; typedef unsigned long size_t; typedef _Bool bool;"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Member:
    """A bit field: `low` counts from the structure's first, least significant bit."""

    name: str
    low: int
    width: int
    item: Define


@dataclass(frozen=True, slots=True, kw_only=True)
class BitFields:
    """A structure of bit fields and the names that it goes by, the outermost last."""

    names: tuple[str, ...]
    members: tuple[Member, ...]
    bits: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One row of a constant table: the expression that names a register, and the word beside it."""

    key: str
    item: Define
    #: the table that it stands in
    table: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Described:
    """A structure that describes a register or field: what it is called, and (member, number) of each cell."""

    key: str
    cells: tuple[tuple[str, Define], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class NumberArray:
    """A constant array of whole numbers."""

    item: Define
    numbers: tuple[int, ...]


@dataclass(slots=True)
class Declarations:
    constants: list[Define] = field(default_factory=list)
    layouts: list[BitFields] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)
    described: list[Described] = field(default_factory=list)
    arrays: list[NumberArray] = field(default_factory=list)
    functions: list[Define] = field(default_factory=list)
    skipped: list[Define] = field(default_factory=list)


def read_declarations(text: str, evaluator: Evaluator) -> Declarations:
    """What the declarations say; enumerators join `evaluator.names`."""
    lines: list[str] = []
    comments: dict[int, str] = {}
    for line, _, code, comment in logical_lines(text):
        while len(lines) < line:
            lines.append("")
        lines[line - 1] = "" if code.lstrip().startswith("#") else code
        if comment:
            comments[line] = comment
    source = text.split("\n")
    plain = plainly("\n".join(lines), evaluator)
    reader = _Reader(evaluator, source, comments, plain.scoped)
    for function in plain.functions:
        reader.function(function.name, function.params, function.body, function.line)
    for first, chunk in _chunks(plain.text):
        reader.read(first, chunk)
    return reader.found


def _chunks(code: str) -> Iterator[tuple[int, str]]:
    """(line, text) of each declaration at file scope; bodies of functions are passed over."""
    code = re.sub(
        r'(?:extern\s+"C"|\bnamespace(?:\s+\w+)?)\s*\{',
        lambda m: " " * len(m[0].replace("\n", "")) + "\n" * m[0].count("\n"),
        code,
    )
    depth, start, line, first = 0, 0, 1, 1
    begun = False
    for at, char in enumerate(code):
        if char == "\n":
            line += 1
        if not begun and not char.isspace():
            begun, start, first = True, at, line
        if char in "{(":
            depth += 1
        elif char in "})":
            depth -= 1
            if depth < 0:  # the end of extern "C"
                depth, begun = 0, False
        text = ""
        if depth == 0 and char == ";":
            text, begun = code[start : at + 1], False
        elif depth == 0 and char == "}" and begun and _is_function(code[start:at]):
            begun = False
        if text:
            yield first, text
    if begun:  # a bracket that is never closed
        yield first, code[start:]


#: what stands between the name of a constant and its value
_GIVEN = re.compile(r"\s*(?:\[[^]]*\]\s*)*=\s*")


def _written(text: str, start: int) -> str:
    """The value that is written from `start` on, as far as it stands in this line."""
    depth = 0
    for at in range(start, len(text)):
        char = text[at]
        if char == "(":
            depth += 1
        elif char == ")":
            depth -= 1
        if (depth == 0 and char in ",;}") or text.startswith(("/*", "//"), at):
            return text[start:at].rstrip()
    return text[start:].rstrip()


def _is_function(text: str) -> bool:
    head = text.partition("{")[0]
    return "=" not in head and head.rstrip().endswith(")")


class _Reader:
    def __init__(
        self,
        evaluator: Evaluator,
        source: list[str],
        comments: dict[int, str],
        scoped: frozenset[str],
    ) -> None:
        self.evaluator, self.source, self.comments = evaluator, source, comments
        self.scoped = scoped
        self.members: dict[str, list[str]] = {}  # of structures, by tag or type
        self.found = Declarations()
        self.offset = 0

    def function(self, name: str, params: tuple[str, ...], body: str, line: int) -> None:
        self.offset = line - 2
        self.evaluator.learn(name, Macro(params, body))
        item = self._define(name, None, None, body)
        self.found.functions.append(replace(item, params=params))

    def read(self, first: int, chunk: str) -> None:
        if not re.search(r"\benum\b|\bstruct\b|=|:\s*\w", chunk):
            return
        if re.match(r"\s*(?:static_assert|_Static_assert|[A-Z]\w*)\s*\(", chunk):
            return  # an assertion, or a macro that stands for one
        empty = {n for n in re.findall(r"\b[A-Za-z_]\w*\b", chunk) if self._empty(n)}
        text = _DECORATION.sub(lambda m: " " * len(m[0]), chunk)
        for name in empty:
            text = re.sub(rf"\b{name}\b", "", text)
        if _depth(text) > MAX_BRACKETS:
            self._skip(first, chunk, "its brackets are nested too deeply")
            return
        names = set(re.findall(r"\b[A-Za-z_]\w*_[tT]\b", text)) - set(re.findall(r"\w+", _BASIC))
        declared = set(re.findall(r"(?:\}|(?<=\w)\s)\s*([A-Za-z_]\w*)\s*;\s*$", text))
        basic = _BASIC + "".join(f"typedef int {n};" for n in sorted(names - declared))
        from pycparser import c_ast, c_parser

        try:
            tree = c_parser.CParser().parse(basic + "\n" + text, "")
        except (c_parser.ParseError, RecursionError, AssertionError) as error:
            self._skip(
                first, chunk, f"it was not parsed as C99 ({str(error)[:60] or 'nested too deeply'})"
            )
            return
        self.offset = first - 2
        for node in tree.ext:
            if node.coord is not None and node.coord.line < 2:
                continue
            self._declaration(c_ast, node)

    def _empty(self, name: str) -> bool:
        """A macro that only decorates: defined without a body, so not listed, or as an attribute."""
        macro = self.evaluator.macros.get(name)
        return macro is not None and macro.body.startswith(("__attribute__", "PROGMEM", "__"))

    def _define(self, name: str, coord: Any, value: int | None, body: str, why: str = "") -> Define:
        line = (coord.line if coord is not None else 2) + self.offset
        text = self.source[line - 1].rstrip("\r") if 0 < line <= len(self.source) else ""
        at = text.find(name)
        column = at + 1 if at >= 0 else 1
        given = _GIVEN.match(text, at + len(name)) if at >= 0 else None
        value_column = given.end() + 1 if given else column
        if given and not body:
            body = _written(text, given.end())
        return Define(
            name=name,
            body=body,
            value=value,
            comment=self.comments.get(line, ""),
            line=line,
            column=column,
            value_column=min(value_column, max(len(text), 1)),
            text=text,
            why=why,
        )

    def _skip(self, first: int, chunk: str, why: str) -> None:
        match = re.search(r"\b[A-Za-z_]\w*\b(?=\s*(?:\[[^]]*\]\s*)*(?:=|;|\{))", chunk)
        self.offset = first - 2
        self.found.skipped.append(
            self._define(match[0] if match else "declaration", None, None, "", why)
        )

    def _value(self, node: Any) -> int:
        from pycparser import c_generator

        return self.evaluator.value(c_generator.CGenerator().visit(node))

    def _declaration(self, c_ast: Any, node: Any) -> None:
        names: list[str] = []
        kind = node
        while kind is not None and not isinstance(
            kind, (c_ast.Enum, c_ast.Struct, c_ast.Union, c_ast.IdentifierType)
        ):
            name = getattr(kind, "name", None) or getattr(kind, "declname", None)
            if isinstance(name, str) and name not in names:
                names.append(name)
            kind = getattr(kind, "type", None)
        if isinstance(kind, c_ast.Enum):
            self._enum(kind)
        elif isinstance(kind, (c_ast.Struct, c_ast.Union)):
            self._struct(c_ast, kind, names)
        init = getattr(node, "init", None)
        if init is None:
            return
        if isinstance(init, c_ast.Constant) and init.type == "string":
            return
        if isinstance(init, c_ast.InitList):
            tag = getattr(kind, "name", None) or " ".join(getattr(kind, "names", ()))
            if not self._described(c_ast, init, node.name, self.members.get(tag, [])):
                self._table(c_ast, init, node.name, "")
        elif isinstance(kind, c_ast.IdentifierType) and isinstance(node, c_ast.Decl):
            try:
                value, why = self._value(init), ""
            except Unreadable as error:
                value, why = None, str(error)
            self.found.constants.append(self._define(node.name, node.coord, value, "", why))
            if value is not None:
                self.evaluator.names.setdefault(node.name, value)

    def _enum(self, node: Any) -> None:
        following: int | None = 0
        for item in node.values.enumerators if node.values is not None else ():
            why = ""
            if item.value is not None:
                try:
                    following = self._value(item.value)
                except Unreadable as error:
                    following, why = None, str(error)
            elif following is None:
                why = "the enumerator before it has no value"
            made = self._define(item.name, item.coord, following, "", why)
            if node.name in self.scoped:
                made = replace(made, name=f"{node.name}_{item.name}")
            self.found.constants.append(made)
            if following is not None:
                self.evaluator.names.setdefault(item.name, following)
                following += 1

    def _struct(self, c_ast: Any, node: Any, names: list[str]) -> None:
        if node.name:
            names = [*names, node.name]
        if node.decls and all(getattr(d, "bitsize", None) is None for d in node.decls):
            for name in names:
                self.members[name] = [d.name for d in node.decls if getattr(d, "name", None)]
        members: list[Member] = []
        at = 0
        for decl in node.decls or ():
            inner = getattr(decl, "type", None)
            while isinstance(inner, (c_ast.TypeDecl, c_ast.ArrayDecl)):
                inner = inner.type
            if isinstance(inner, (c_ast.Struct, c_ast.Union)) and inner.decls:
                own = [n for n in (getattr(decl, "name", None),) if n]
                self._struct(c_ast, inner, [*names, *own])
                continue
            if getattr(decl, "bitsize", None) is None:
                continue
            try:
                width = self._value(decl.bitsize)
            except Unreadable:
                return
            if decl.name:
                item = self._define(decl.name, decl.coord or decl.type.coord, None, f"{width}")
                members.append(Member(name=decl.name, low=at, width=width, item=item))
            at += width
        if members:
            self.found.layouts.append(
                BitFields(names=tuple(names), members=tuple(members), bits=at)
            )

    def _described(self, c_ast: Any, node: Any, name: str, members: list[str]) -> bool:
        """Whether it is a structure, or rows of them, that describe what a string or their own name tells."""
        rows = [e for e in node.exprs or () if isinstance(e, c_ast.InitList)]
        if not rows:
            cells = self._cells(c_ast, node, members)
            if cells is None:
                return self._array(c_ast, node, name)
            self._describe(name, cells)
            return True
        told = [self._cells(c_ast, row, members) for row in rows]
        strings = [
            next((_string(n) for _, n in cells if _string(n)), "") if cells else ""
            for cells in told
        ]
        if not any(strings):
            # without a string that names them: pairs of register and word, unless members say more
            plain = [_string(c) for row in rows for c in (row.exprs or ())[:1]]
            return any(plain)
        for cells, key in zip(told, strings, strict=True):
            if cells and key:
                self._describe(key, cells)
        return True

    @staticmethod
    def _cells(c_ast: Any, node: Any, members: list[str]) -> list[tuple[str, Any]] | None:
        """(member, expression) of each cell; None where the members are not known."""
        found: list[tuple[str, Any]] = []
        at = 0
        for entry in node.exprs or ():
            value = entry
            if isinstance(entry, c_ast.NamedInitializer):
                if not isinstance(entry.name[0], c_ast.ID) or len(entry.name) != 1:
                    return None
                member, value = entry.name[0].name, entry.expr
                at = members.index(member) if member in members else at
            elif at < len(members):
                member = members[at]
            else:
                return None
            at += 1
            found.append((member, value))
        # `[REG] = word` looks the same: members are known from the structure, or stand with others
        return found if members and all(m in members for m, _ in found) else None

    def _describe(self, key: str, cells: list[tuple[str, Any]]) -> None:
        from pycparser import c_generator

        show = c_generator.CGenerator().visit
        numbers = []
        for member, node in cells:
            try:
                value = self.evaluator.value(show(node))
            except Unreadable:
                continue
            made = self._define(f".{member}", node.coord, value, "")
            numbers.append((member, replace(made, name=key)))
        self.found.described.append(Described(key=key, cells=tuple(numbers)))

    def _array(self, c_ast: Any, node: Any, name: str) -> bool:
        """An array of numbers without designators."""
        from pycparser import c_generator

        show = c_generator.CGenerator().visit
        entries = node.exprs or ()
        if not entries or any(isinstance(e, c_ast.NamedInitializer) for e in entries):
            return False
        try:
            numbers = tuple(self.evaluator.value(show(e)) for e in entries)
        except Unreadable:
            return False
        item = self._define(name, node.coord, None, "")
        self.found.arrays.append(NumberArray(item=item, numbers=numbers))
        return True

    def _table(self, c_ast: Any, node: Any, name: str, key: str) -> None:
        """Rows `{REG, word}` and `[REG] = word`; the first expression of a row that names something is the key."""
        from pycparser import c_generator

        show = c_generator.CGenerator().visit
        for entry in node.exprs or ():
            own, value = key, entry
            if isinstance(entry, c_ast.NamedInitializer):
                own, value = show(entry.name[0]), entry.expr
            if isinstance(value, c_ast.InitList):
                cells = [
                    e.expr if isinstance(e, c_ast.NamedInitializer) else e
                    for e in value.exprs or ()
                ]
                if len(cells) >= 2 and not any(isinstance(c, c_ast.InitList) for c in cells):
                    self._row(show(cells[0]), cells[1], show, name)
                else:
                    self._table(c_ast, value, name, own)
            elif isinstance(entry, c_ast.NamedInitializer):
                self._row(own, value, show, name)

    def _row(self, key: str, node: Any, show: Any, table: str) -> None:
        text = show(node)
        try:
            value = self.evaluator.value(text)
        except Unreadable:
            return
        key = re.sub(r"^[(\s]*(?:\w+_t\s*\))?[(\s]*|[)\s]+$", "", key)
        item = self._define(key, node.coord, value, text)
        self.found.rows.append(Row(key=key, item=item, table=table))


def _string(node: Any) -> str:
    """What a string says; "" for all else."""
    text = getattr(node, "value", None)
    return text[1:-1] if isinstance(text, str) and text[:1] == '"' else ""


def _depth(text: str) -> int:
    depth = most = 0
    for char in text:
        if char in "([{":
            depth += 1
            most = max(most, depth)
        elif char in ")]}":
            depth -= 1
    return most
