"""The reference of the map format as Markdown, written from the grammar that the loader reads by.

devices/README.md holds it between two marks; a test fails when the two differ. After a change of the
grammar `rewrite(Path("devices/README.md"))` brings the file up to date.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path

from ..chip.model import ACCESS
from ..document.schema import (
    BitsShape,
    Bool,
    ByKind,
    ExprShape,
    Int,
    Later,
    Many,
    OneOf,
    Qty,
    Record,
    Shape,
    Table,
    Text,
)
from ..errors import CallError
from ..parameters import ROLES, Parameter
from .grammar import ELECTRICAL, HOLDS, SEQUENCES, map_shape
from .shapes import Params

START = "<!-- reference: written by regmap.maps.reference; change the grammar, not this part -->"
END = "<!-- end of reference -->"


def reference() -> str:
    """Every key of a map with its value and meaning, one table for each kind of mapping."""
    lines = mapping_lines(map_shape(), "A map")
    lines += ["### What a part `holds`", "", "| word | what fills the part |", "| --- | --- |"]
    lines += [f"| `{word}` | {_cell(text)} |" for word, text in HOLDS.items()]
    lines += ["", "### `access`", "", "| word | behaviour |", "| --- | --- |"]
    lines += [f"| `{word}` | {_cell(text)} |" for word, text in ACCESS.items()]
    lines += ["", "### Sequences", "", "| sequence | purpose |", "| --- | --- |"]
    lines += [f"| `{word}` | {_cell(text)} |" for word, text in SEQUENCES.items()]
    lines += ["", "### Roles", "", "| role | values | what the field sets |", "| --- | --- | --- |"]
    lines += [f"| `{n}` | {_kind(p)} | {_cell(p.doc)} |" for n, p in ROLES.items()]
    lines += ["", "### Electrical parameters", "", *parameter_lines(ELECTRICAL)]
    return "\n".join(lines) + "\n"


def mapping_lines(shape: Shape, title: str) -> list[str]:
    """One table for each kind of mapping in a document: key, value, meaning."""
    lines: list[str] = []
    for name, record in _records(shape, title):
        lines += [f"### {name}", "", "| key | value | meaning |", "| --- | --- | --- |"]
        for key, (below, required, doc) in record.keys.items():
            must = " **(required)**" if required else ""
            lines.append(f"| `{key}` | {_cell(_value(below))} | {_cell(doc)}{must} |")
        lines.append("")
    return lines


def parameter_lines(table: Mapping[str, Parameter]) -> list[str]:
    """A table of parameters, with what serves where one is not stated."""
    lines = [
        "| parameter | value | meaning | where it is not stated |",
        "| --- | --- | --- | --- |",
    ]
    for name, row in table.items():
        lines.append(f"| `{name}` | {_kind(row)} | {_cell(row.doc)} | {_cell(_default(row))} |")
    return lines


def updated(text: str, start: str = START, body: str | None = None) -> str:
    """`text` with the reference between the marks brought up to date. Raises CallError without marks."""
    head, found, rest = text.partition(start)
    _, end, tail = rest.partition(END)
    if not found or not end:
        raise CallError("no marks for the reference", f"{start} and {END}")
    return f"{head}{start}\n\n{reference() if body is None else body}\n{END}{tail}"


def rewrite(path: Path) -> bool:
    """Bring the file up to date, whole or not at all; whether anything changed."""
    old = path.read_text(encoding="utf-8")
    new = updated(old)
    if new != old:
        beside = path.with_name(path.name + ".new")
        beside.write_text(new, encoding="utf-8")
        beside.replace(path)
    return new != old


def _records(whole: Shape, name: str) -> Iterator[tuple[str, Record]]:
    """Every mapping with known keys, once, in the order in which a reader meets them."""
    seen: set[int] = set()

    def walk(shape: Shape, title: str) -> Iterator[tuple[str, Record]]:
        if isinstance(shape, Later):
            shape = shape.make()
        if isinstance(shape, Record):
            if id(shape) in seen:
                return
            seen.add(id(shape))
            yield title, shape
            for key, (below, _required, _doc) in shape.keys.items():
                yield from walk(
                    below, f"`{key}`" if title == name else f"`{key}` of {_plain(title)}"
                )
        elif isinstance(shape, Table):
            yield from walk(shape.value, _one(shape.value, title))
        elif isinstance(shape, Many):
            yield from walk(shape.item, _one(shape.item, title))
        elif isinstance(shape, ByKind):
            for inner in (shape.mapping, shape.sequence, shape.scalar):
                if inner is not None:
                    yield from walk(inner, _one(inner, title))

    yield from walk(whole, name)


def _one(shape: Shape, title: str) -> str:
    """The title of the mapping that a table or a list holds: what it is, and where it stands."""
    if isinstance(shape, Record) and shape.label != "a mapping":
        return f"{shape.label[0].upper()}{shape.label[1:]}, in {_plain(title)}"
    return title


def _plain(title: str) -> str:
    """A title as part of another one."""
    head = title.partition(", in ")[0]
    return head if head.startswith("`") else head[0].lower() + head[1:]


def _value(shape: Shape) -> str:
    """What may stand there, in a few words."""
    if isinstance(shape, Later):
        shape = shape.make()
    if isinstance(shape, OneOf):
        words = ", ".join(f"`{w}`" for w in shape.words)
        return words if len(shape.words) <= 12 else "a word of the list below"
    if isinstance(shape, Record):
        return "a mapping" if shape.label == "a mapping" else shape.label
    if isinstance(shape, Table):
        return f"a mapping: {shape.label}"
    if isinstance(shape, Many):
        if shape.single:
            return f"{_value(shape.item)}, or a list of them"
        return shape.label if shape.label.startswith("a list") else f"a list: {shape.label}"
    if isinstance(shape, Params):
        return "parameters of the list below"
    if isinstance(shape, (Bool, Int, Qty, Text, BitsShape, ExprShape, ByKind)):
        return shape.label
    return shape.label


def _kind(row: Parameter) -> str:
    if row.kind == "choice":
        return ", ".join(f"`{c}`" for c in row.choices)
    if row.kind == "count":
        return "a whole number"
    if row.kind == "switch":
        return "options"
    return row.dimension or ""


def _default(row: Parameter) -> str:
    if row.default is not None:
        return f"{row.default} ({row.note})" if row.note else row.default
    return f"as `{row.instead}`" if row.instead else ""


def _cell(text: str) -> str:
    return text.replace("|", "\\|")
