"""Declarations of a C header that carry numbers: enumerators, constants, bit fields, constant tables.

    found = read_declarations(unit)
    found.constants     enumerators and integer constants, as `Define`s
    found.layouts       structures of bit fields with where each member lies
    found.rows          rows of constant tables: what register is written, and its word
    found.described     structures that say address, shift, width, reset word of what they name
    found.arrays        arrays of numbers, as they stand
    found.steps         rows of tables of commands, by the members of their structure
    found.functions     functions that are one expression

Each declaration is parsed by itself with a real parser of C99 (pycparser), so what it cannot know, a
type of another header or a compiler's own words, costs that declaration only.
"""

from __future__ import annotations

import re
from typing import Any

from regmap.record import replace

from .declared import BitFields, Declarations, Member
from .dialect import Chunk, chunks, plainly
from .initializers import Initializers
from .integers import CNumber, Unreadable, type_of
from .names import pieces_of
from .places import HeaderPlaces
from .routines import Routine
from .units import HeaderUnit

MAX_BRACKETS = 60
#: words of compilers that say where or how something lies, not what it is
_DECORATION = re.compile(
    r"__attribute__\s*\(\(.*?\)\)|__declspec\s*\([^)]*\)|\[\[.*?\]\]|\b(?:alignas|_Alignas)\s*\([^)]*\)"
    r"|\b(?:__packed|PACKED|PROGMEM|__flash|__code|__IO?|__extension__|constexpr|__inline|__const)\b",
    re.S,
)
_KINDS = ((8, "char"), (16, "short"), (32, "int"), (64, "long long"))
_BASIC = {
    "size_t": "unsigned long", "bool": "_Bool",
    **{f"{s}int{n}_t": f"{'unsigned ' * bool(s)}{kind}" for s in ("", "u") for n, kind in _KINDS},
    **{f"u{n}": f"unsigned {kind}" for n, kind in _KINDS},
}  # fmt: skip


def read_declarations(unit: HeaderUnit) -> Declarations:
    """What the declarations say; enumerators join `evaluator.names`, functions its routines."""
    plain = plainly("\n".join(line.code for line in unit.lines))
    reader = _Reader(unit, plain.scoped)
    reader.types(plain.text)
    parts = list(chunks(plain.text))
    for part in parts:
        if part.function:
            reader.function(part)
    for part in parts:
        if not part.function:
            reader.read(part)
    unit.evaluator.scope = ()
    return reader.found


_TYPEDEF = re.compile(
    r"\btypedef\s{1,9}(\w+(?:[ \t]{1,9}\w+){0,3})\s{1,9}(\w+)\s{0,9};"
    r"|\busing\s{1,9}(\w+)\s{0,9}=\s{0,9}(\w+(?:[ \t]{1,9}\w+){0,3})\s{0,9};"
)


class _Reader:
    def __init__(self, unit: HeaderUnit, scoped: frozenset[str]) -> None:
        self.unit, self.evaluator, self.scoped = unit, unit.evaluator, scoped
        self.members: dict[str, list[str]] = {}  # of structures, by tag or type
        self.found = Declarations()
        self.places = HeaderPlaces(unit)
        self.initializers = Initializers(self.evaluator, self.places, self.found)
        self.scope: tuple[str, ...] = ()

    def function(self, part: Chunk) -> None:
        routine = Routine.of(part.text, self.evaluator, part.scope)
        if routine is None:
            return
        self.places.offset, self.scope = part.line - 2, part.scope
        name = self._scoped(routine.name)
        self.evaluator.routines.setdefault(name, routine)
        item = self.places.define(routine.name, None, None, routine.body)
        self.found.functions.append(replace(item, name=name, params=routine.params))

    def types(self, text: str) -> None:
        """What the file calls types of whole numbers."""
        for match in _TYPEDEF.finditer(text):
            words = (match[1] or match[4]).split()
            kind = type_of(words, self.evaluator.model, self.evaluator.types)
            if kind is not None:
                self.evaluator.types.setdefault(match[2] or match[3], kind)

    def _scoped(self, name: str) -> str:
        return "_".join((*self.scope, name))

    def read(self, part: Chunk) -> None:
        first, chunk = part.line, part.text
        self.scope = self.evaluator.scope = part.scope
        if not re.search(r"\benum\b|\bstruct\b|=|:\s*\w", chunk):
            return
        if re.match(r"\s*(?:static_assert|_Static_assert|[A-Z]\w*)\s*\(", chunk):
            return  # an assertion, or a macro that stands for one
        if re.match(r"\s*(?:template|using|friend|class)\b", chunk):
            return  # types of C++, which hold no numbers
        text = _DECORATION.sub(lambda m: " " * len(m[0]), chunk)
        if _depth(text) > MAX_BRACKETS:
            self._skip(first, chunk, "its brackets are nested too deeply")
            return
        words = set(re.findall(r"\b[A-Za-z_]\w*\b", text))
        declared = set(re.findall(r"(?:\}|(?<=\w)\s)\s*([A-Za-z_]\w*)\s*;\s*$", text))
        named = {
            w for w in words if w in _BASIC or w.endswith(("_t", "_T")) or w in self.evaluator.types
        } - declared
        # in C++ the name of a structure is that of its type
        named |= {
            tag
            for tag in words & set(self.members)
            if re.search(rf"(?<!struct)\s{tag}\s+[A-Za-z_]\w*\s*[\[=;]", f" {text}")
        } - declared
        basic = "".join(f"typedef {_BASIC.get(n, 'int')} {n};" for n in sorted(named))
        from pycparser import c_ast, c_parser

        try:
            tree = c_parser.CParser().parse(basic + "\n" + text, "")
        except (c_parser.ParseError, RecursionError, AssertionError) as error:
            self._skip(
                first, chunk, f"it was not parsed as C99 ({str(error)[:60] or 'nested too deeply'})"
            )
            return
        self.places.offset = first - 2
        for node in tree.ext:
            if node.coord is not None and node.coord.line < 2:
                continue
            self._declaration(c_ast, node)

    def _skip(self, first: int, chunk: str, why: str) -> None:
        match = re.search(r"\b[A-Za-z_]\w*\b(?=\s*(?:\[[^]]*\]\s*)*(?:=|;|\{))", chunk)
        self.places.offset = first - 2
        self.found.skipped.append(
            self.places.define(match[0] if match else "declaration", None, None, "", why)
        )

    def _value(self, node: Any) -> int:
        return self._number(node).value

    def _number(self, node: Any) -> CNumber:
        from pycparser import c_generator

        return self.evaluator.number(c_generator.CGenerator().visit(node))

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
            self._enum(kind, names[-1] if names else "")
        elif isinstance(kind, (c_ast.Struct, c_ast.Union)):
            self._struct(c_ast, kind, names)
        init = getattr(node, "init", None)
        if init is None:
            return
        if isinstance(init, c_ast.Constant) and init.type == "string":
            return
        if isinstance(init, c_ast.InitList):
            tag = getattr(kind, "name", None) or " ".join(getattr(kind, "names", ()))
            if not self.initializers.described(c_ast, init, node.name, self.members.get(tag, [])):
                self.initializers.table(c_ast, init, node.name, "")
        elif isinstance(kind, c_ast.IdentifierType) and isinstance(node, c_ast.Decl):
            number, why = None, ""
            try:
                of = type_of(kind.names, self.evaluator.model, self.evaluator.types)
                number = self.evaluator.cast(self._number(init), of)
            except Unreadable as error:
                why = str(error)
            value = number.value if number is not None else None
            made = self.places.define(node.name, node.coord, value, "", why)
            name = self._scoped(node.name)
            told = self._scoped(_spelt(node.name)) if self.scope else name
            self.found.constants.append(replace(made, name=told))
            if number is not None:
                self.evaluator.names.setdefault(name, number)

    def _enum(self, node: Any, name: str) -> None:
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
            made = self.places.define(item.name, item.coord, following, "", why)
            also = (
                self._scoped(f"{_untyped(node.name or name)}_{item.name}")
                if node.name or name
                else ""
            )
            plain = self._scoped(item.name)
            if node.name in self.scoped:
                plain, also = self._scoped(f"{node.name}_{item.name}"), ""
            self.found.constants.append(replace(made, name=plain, also=also))
            if following is not None:
                self.evaluator.names.setdefault(plain, self.evaluator.plain(following))
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
                item = self.places.define(
                    decl.name, decl.coord or decl.type.coord, None, f"{width}"
                )
                members.append(Member(name=decl.name, low=at, width=width, item=item))
            at += width
        if members:
            self.found.layouts.append(
                BitFields(names=tuple(names), members=tuple(members), bits=at)
            )


def _spelt(name: str) -> str:
    """kGainMask as Gain_Mask, so that the words within a name that namespaces stand around are seen."""
    return "_".join(pieces_of(re.sub(r"^k(?=[A-Z])", "", name)))


def _untyped(name: str) -> str:
    """The name of a type without the ending that says that it is one."""
    return re.sub(r"_(?:t|e|enum|type)$", "", name)


def _depth(text: str) -> int:
    depth = most = 0
    for char in text:
        if char in "([{":
            depth += 1
            most = max(most, depth)
        elif char in ")]}":
            depth -= 1
    return most
