"""Initializers: rows of constant tables, structures that describe a register or field, arrays of numbers."""

from __future__ import annotations

import re
from typing import Any

from regmap.record import replace

from .declared import COMMANDS, CommandRow, Declarations, Described, NumberArray, Row
from .defines import Define
from .expressions import Evaluator
from .integers import Unreadable
from .names import kind_of, pieces_of
from .places import HeaderPlaces


class Initializers:
    """Adds what initializers in braces say to what was found."""

    def __init__(self, evaluator: Evaluator, places: HeaderPlaces, found: Declarations) -> None:
        self.evaluator, self.places, self.found = evaluator, places, found

    def described(self, c_ast: Any, node: Any, name: str, members: list[str]) -> bool:
        """Whether it is a structure, or rows of them, that describe what a string or their own name tells."""
        rows = [e for e in node.exprs or () if isinstance(e, c_ast.InitList)]
        if not rows:
            cells = self._cells(c_ast, node, members)
            if cells is None:
                return self._array(c_ast, node, name)
            self._describe(name, cells)
            return True
        if len(rows) == len(node.exprs):
            for row in rows:
                self._array(c_ast, row, name, self.found.rows_of_numbers)
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
            made = self.places.define(f".{member}", node.coord, value, "")
            numbers.append((member, replace(made, name=key)))
        return tuple(numbers)

    def _array(
        self, c_ast: Any, node: Any, name: str, into: list[NumberArray] | None = None
    ) -> bool:
        """An array of numbers without designators; `into` is where it is kept, where not with the arrays."""
        from pycparser import c_generator

        show = c_generator.CGenerator().visit
        entries = node.exprs or ()
        if not entries or any(isinstance(e, c_ast.NamedInitializer) for e in entries):
            return False
        try:
            numbers = tuple(self.evaluator.value(show(e)) for e in entries)
        except Unreadable:
            return False
        cells = tuple(
            replace(self.places.define(show(e), e.coord, n, ""), name=name)
            for e, n in zip(entries, numbers, strict=True)
        )
        if into is not None:
            into.append(NumberArray(item=cells[0], numbers=numbers, cells=cells))
            return True
        item = self.places.define(name, node.coord, None, "")
        self.found.arrays.append(NumberArray(item=item, numbers=numbers, cells=cells))
        return True

    def table(self, c_ast: Any, node: Any, name: str, key: str) -> None:
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
                    self.table(c_ast, value, name, own)
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
        item = self.places.define(key, node.coord, value, text)
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
