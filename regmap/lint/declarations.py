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

from regmap.record import dataclass, field, replace

from .defines import Define, without_comments
from .dialect import Chunk, chunks, plainly
from .integers import CNumber, Unreadable, type_of
from .names import kind_of, pieces_of
from .preprocess import CodeLine, HeaderUnit
from .routines import Routine

MAX_BRACKETS = 60
#: what a member is called that holds a whole command
COMMANDS = {"frame", "cmd", "command", "tx"}
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
    #: the key as a number, where it is one and the word stands alone beside it
    address: int | None = None


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


@dataclass(frozen=True, slots=True, kw_only=True)
class CommandRow:
    """A row of a table of commands to send: (member, number) of each cell."""

    table: str
    cells: tuple[tuple[str, Define], ...]


@dataclass(slots=True)
class Declarations:
    constants: list[Define] = field(default_factory=list)
    layouts: list[BitFields] = field(default_factory=list)
    rows: list[Row] = field(default_factory=list)
    described: list[Described] = field(default_factory=list)
    arrays: list[NumberArray] = field(default_factory=list)
    steps: list[CommandRow] = field(default_factory=list)
    functions: list[Define] = field(default_factory=list)
    skipped: list[Define] = field(default_factory=list)


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
#: what stands between the name of a constant and its value
_GIVEN = re.compile(r"\s*(?:\[[^]]*\]\s*)*=\s*")
_DEFINED = re.compile(rf"{_GIVEN.pattern}|\s*\{{")


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


@dataclass(slots=True)
class _Stands:
    """Where a word stands first in a line, where it is given a value, and how many of those were told."""

    first: int
    defined: list[int] = field(default_factory=list)
    told: int = 0


def _words_of(line: str) -> dict[str, _Stands]:
    """The words of a line that begins outside a comment; a member also by its name with the dot."""
    code = without_comments(line)
    found: dict[str, _Stands] = {}
    for match in re.finditer(r"\.?\w+", code):
        is_defined = _DEFINED.match(code, match.end()) is not None
        for name in {match[0], match[0].lstrip(".")}:
            at = match.end() - len(name)
            stands = found.setdefault(name, _Stands(at))
            if is_defined:
                stands.defined.append(at)
    return found


class _Reader:
    def __init__(self, unit: HeaderUnit, scoped: frozenset[str]) -> None:
        self.unit, self.evaluator, self.scoped = unit, unit.evaluator, scoped
        self.sources: dict[str, list[str]] = {}
        self.members: dict[str, list[str]] = {}  # of structures, by tag or type
        self.found = Declarations()
        #: where the words of a line stand
        self.words: dict[tuple[str, int], dict[str, _Stands]] = {}
        self.offset = 0
        self.scope: tuple[str, ...] = ()

    def function(self, part: Chunk) -> None:
        routine = Routine.of(part.text, self.evaluator, part.scope)
        if routine is None:
            return
        self.offset, self.scope = part.line - 2, part.scope
        name = self._scoped(routine.name)
        self.evaluator.routines.setdefault(name, routine)
        item = self._define(routine.name, None, None, routine.body)
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
        named = {w for w in words if w in _BASIC or w.endswith(("_t", "_T"))} - declared
        basic = "".join(f"typedef {_BASIC.get(n, 'int')} {n};" for n in sorted(named))
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

    def _define(self, name: str, coord: Any, value: int | None, body: str, why: str = "") -> Define:
        at_line = (coord.line if coord is not None else 2) + self.offset
        lines = self.unit.lines
        stood = lines[min(max(at_line, 1), len(lines)) - 1] if lines else CodeLine("", 1, "")
        line, text = stood.line, self._source(stood)
        at = self._stands(stood, text, name)
        column = at + 1 if at >= 0 else 1
        given = _GIVEN.match(text, at + len(name)) if at >= 0 else None
        value_column = given.end() + 1 if given else column
        if given and not body:
            body = _written(text, given.end())
        return Define(
            name=name,
            body=body,
            value=value,
            comment=self.unit.comments.get((stood.file, line), ""),
            line=line,
            file=stood.file,
            column=column,
            value_column=min(value_column, max(len(text), 1)),
            text=text,
            why=why,
        )

    def _stands(self, stood: CodeLine, text: str, name: str) -> int:
        """Where a name stands in its line: of several definitions there, as in two namespaces, one after the other."""
        words = self.words.get((stood.file, stood.line))
        if words is None:
            words = self.words[stood.file, stood.line] = _words_of(text)
        found = words.get(name)
        if found is None:
            return text.find(name)
        if not found.defined:
            return found.first
        found.told += 1
        return found.defined[min(found.told, len(found.defined)) - 1]

    def _source(self, stood: CodeLine) -> str:
        rows = self.sources.get(stood.file)
        if rows is None:
            rows = self.sources[stood.file] = self.unit.texts.get(stood.file, "").split("\n")
        return rows[stood.line - 1].rstrip("\r") if 0 < stood.line <= len(rows) else ""

    def _skip(self, first: int, chunk: str, why: str) -> None:
        match = re.search(r"\b[A-Za-z_]\w*\b(?=\s*(?:\[[^]]*\]\s*)*(?:=|;|\{))", chunk)
        self.offset = first - 2
        self.found.skipped.append(
            self._define(match[0] if match else "declaration", None, None, "", why)
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
            if not self._described(c_ast, init, node.name, self.members.get(tag, [])):
                self._table(c_ast, init, node.name, "")
        elif isinstance(kind, c_ast.IdentifierType) and isinstance(node, c_ast.Decl):
            number, why = None, ""
            try:
                of = type_of(kind.names, self.evaluator.model, self.evaluator.types)
                number = self.evaluator.cast(self._number(init), of)
            except Unreadable as error:
                why = str(error)
            value = number.value if number is not None else None
            made = self._define(node.name, node.coord, value, "", why)
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
            made = self._define(item.name, item.coord, following, "", why)
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
        if not any(strings) and COMMANDS & set(members):
            for cells in told:
                if cells:
                    self.found.steps.append(
                        CommandRow(table=name, cells=self._numbers(name, cells))
                    )
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
        numbers = self._numbers(key, cells)
        self.found.described.append(Described(key=key, cells=numbers))

    def _numbers(self, key: str, cells: list[tuple[str, Any]]) -> tuple[tuple[str, Define], ...]:
        """The cells that are numbers."""
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
        return tuple(numbers)

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
                    first, second = _key_first(c_ast, value.exprs, cells)
                    self._row(show(first), second, show, name, len(cells) == 2)
                else:
                    self._table(c_ast, value, name, own)
            elif isinstance(entry, c_ast.NamedInitializer):
                self._row(own, value, show, name)

    def _row(self, key: str, node: Any, show: Any, table: str, alone: bool = True) -> None:
        text = show(node)
        try:
            value = self.evaluator.value(text)
        except Unreadable:
            return
        key = key.removeprefix("[").removesuffix("]")
        key = re.sub(r"^[(\s]*(?:\w+_t\s*\))?[(\s]*|[)\s]+$", "", key)
        try:
            address = self.evaluator.value(key) if key and alone else None
        except Unreadable:
            address = None
        item = self._define(key, node.coord, value, text)
        self.found.rows.append(Row(key=key, item=item, table=table, address=address))


def _key_first(c_ast: Any, entries: Any, cells: list[Any]) -> tuple[Any, Any]:
    """The cell that names a register and the one that holds its word, by what their members are called."""
    names = [e.name[0].name if isinstance(e, c_ast.NamedInitializer) and isinstance(e.name[0], c_ast.ID) else "" for e in entries]  # fmt: skip
    kinds = [kind_of(pieces_of(n)[-1]) if pieces_of(n) else "" for n in names]
    if "address" in kinds[1:] and kinds[0] != "address":
        at = kinds.index("address")
        return cells[at], cells[0]
    return cells[0], cells[1]


def _string(node: Any) -> str:
    """What a string says; "" for all else."""
    text = getattr(node, "value", None)
    return text[1:-1] if isinstance(text, str) and text[:1] == '"' else ""


def _spelt(name: str) -> str:
    """kGainMask as Gain_Mask, so that the words within a name that namespaces stand around are seen."""
    return re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", re.sub(r"^k(?=[A-Z])", "", name))


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
