"""The shapes that only maps have: options by code, columns of a table, parameters of a closed list."""

from __future__ import annotations

import re
from functools import lru_cache
from typing import Any

from ..document.schema import (
    BAD,
    OPTION,
    Int,
    OneOf,
    Qty,
    Reader,
    Rec,
    Scalar,
    Shape,
    kind_of,
    quoted,
    read_int,
)
from ..document.source import MappingNode, Node, ScalarNode, SequenceNode
from ..errors import CallError, closest
from ..formerly import GONE, PARAMETERS
from ..parameters import Parameter
from ..quantity import NONE, Band, parse, parse_band

#: codes that the options of one map may name together
MAX_CODES = 70_000


class OptionKey(Scalar):
    """The code or codes of an option: `3`, `0b11`, `4..7` or `6,7`; read as a tuple of codes."""

    label = "a code such as 3, 0x1F, 4..7 or 6,7"

    def convert(self, node: Node, text: str, reader: Reader, path: str) -> Any:
        if len(text) < 5 and text.isascii() and text.isdigit():  # as most are
            reader.codes += 1
            if reader.codes <= MAX_CODES:
                return Codes((int(text),))
        codes: list[int] = []
        for piece in text.split(","):
            ends = [read_int(p.strip()) for p in piece.split("..")]
            if len(ends) > 2 or any(e is None or e < 0 for e in ends):
                return reader.complain(node, path, quoted(text), self.label)
            low, high = ends[0], ends[-1]
            assert low is not None
            assert high is not None
            if high < low or high - low > 65535:
                return reader.complain(
                    node, path, quoted(text), "the smaller code first, 65536 codes at most"
                )
            codes.extend(range(low, high + 1))
            reader.codes += high - low + 1
            if reader.codes > MAX_CODES:
                return reader.complain(
                    node, path, f"more than {MAX_CODES} codes named in this map", "a scale"
                )
        return Codes(codes)

    def json(self) -> dict[str, object]:
        return {"type": "string"}


class Codes(tuple[int, ...]):
    """Codes of one option; its text is a key that tells equal sets apart from different ones."""

    __slots__ = ()

    def __str__(self) -> str:
        return str(self[0]) if len(self) == 1 else ",".join(map(str, self))


class Value(int):
    """A number of which only the bits `care` count (-1: all)."""

    care = -1


class Pattern(Scalar):
    """A number, or one with bits that do not matter: `0b10xx`."""

    label = "a number, or bits such as 0b10xx"

    def convert(self, node: Node, text: str, reader: Reader, path: str) -> Any:
        bits = text[2:].replace("_", "").lower()
        if text[:2].lower() == "0b" and "x" in bits and not set(bits) - set("01x"):
            value = Value(bits.replace("x", "0"), 2)
            care = bits.replace("0", "1").replace("x", "0")
            # above the bits written nothing but zero fits
            value.care = -(1 << len(bits)) | int(care, 2)
            return value
        number = read_int(text)
        if number is None or not 0 <= number < 1 << 64:
            return reader.complain(node, path, quoted(text), self.label)
        return Value(number)

    def json(self) -> dict[str, object]:
        return {
            "anyOf": [
                {"type": "integer", "minimum": 0},
                {"type": "string", "pattern": r"^(0[xX][0-9a-fA-F_]+|0[bB][01xX_]+|[0-9][0-9_]*)$"},
            ]
        }


class OptionText(Scalar):
    """An option written on one line: a name, or a physical value that names itself."""

    label = "an option's name (off) or a value (60 mA +- 20 %)"

    def convert(self, node: Node, text: str, reader: Reader, path: str) -> Any:
        band = physical(text)
        rec = Rec(node, path)
        if band is not None:
            rec["value"] = band
            if band.dim == NONE:  # its value alone would not say % or V/V
                rec["name"] = re.split(r"\+-|±", text)[0].replace(" ", "")
            return rec  # otherwise its value names it
        name = OPTION.convert(node, text, reader, path)
        if name is BAD:
            return BAD
        rec["name"] = name
        return rec

    def json(self) -> dict[str, object]:
        return {"type": ["string", "number", "boolean"]}


@lru_cache(maxsize=4096)
def physical(text: str) -> Band | None:
    """The band a text states if it is a quantity with a unit, else None."""
    try:
        band = parse_band(text)
    except CallError:
        return None
    return band if band.dim != NONE or "%" in text or "V/V" in text else None


class NumberList(Shape):
    """Numbers of a table row by row; `-` stands for a code that is not used."""

    label = "a list of numbers, - for an unused code"

    def read(self, node: Node, reader: Reader, path: str) -> Any:
        if not isinstance(node, SequenceNode):
            return reader.complain(node, path, kind_of(node), self.label)
        values: list[str | None] = []
        for index, item in enumerate(node.value):
            text = item.value if isinstance(item, ScalarNode) else ""
            if text == "-":
                values.append(None)
            elif re.fullmatch(r"[+-]?([0-9]+(?:\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]{1,2})?", text):
                try:
                    parse(text)
                except CallError as error:
                    return reader.complain(item, f"{path}[{index}]", str(error))
                values.append(text)
            else:
                return reader.complain(
                    item, f"{path}[{index}]", kind_of(item), "a number, or - for an unused code"
                )
        return values

    def json(self) -> dict[str, object]:
        return {"type": "array", "items": {"anyOf": [{"type": "number"}, {"type": "string"}]}}


class Params(Shape):
    """Parameters of a closed table with dotted names; nested mappings and dotted keys both do."""

    label = "a mapping of parameters"

    def __init__(self, table: dict[str, Parameter]) -> None:
        self.table = table
        self.shapes: dict[str, Shape] = {name: _shape_of(p) for name, p in table.items()}
        self.old = {old: now for old, now in PARAMETERS.items() if now in table}
        self.branches = {n[:i] for n in table for i, c in enumerate(n) if c == "."}
        #: where old names begin, too: read, but not in the schema
        self.begun = self.branches | {n[:i] for n in self.old for i, c in enumerate(n) if c == "."}

    def read(self, node: Node, reader: Reader, path: str) -> Any:
        if not isinstance(node, MappingNode):
            return reader.complain(node, path, kind_of(node), self.label)
        rec = Rec(node, path)
        self.descend(node, "", rec, reader, path)
        return rec

    def descend(self, node: MappingNode, prefix: str, rec: Rec, reader: Reader, path: str) -> None:
        for key, value in node.value:
            name = prefix + (key.value if isinstance(key, ScalarNode) else "?")
            branch = name in self.begun and isinstance(value, MappingNode)
            if branch and name in self.table and isinstance(value, MappingNode):
                words = {k.value for k, _ in value.value if isinstance(k, ScalarNode)}
                branch = not words <= {"min", "typ", "max", "tolerance", "text", "value", "note"}
            if branch and isinstance(value, MappingNode):
                self.descend(value, name + ".", rec, reader, path)
                continue
            if name in self.old and name not in self.table:
                reader.renamed(key, path, name, self.old[name])
                name = self.old[name]
            if name in GONE and name not in self.table:
                reader.complain(key, path, f"'{name}': {GONE[name]}", severity="note")
            elif name in self.table:
                if name in rec.key_nodes:
                    first = rec.key_nodes[name].start_mark.line + 1
                    reader.complain(
                        key, path, f"the key '{name}' again", f"it once (first at line {first})"
                    )
                    continue
                rec.key_nodes[name], rec.value_nodes[name] = key, value
                read = self.shapes[name].read(value, reader, f"{path}.{name}" if path else name)
                if read is not BAD:
                    rec[name] = read
            else:
                near = closest(name, self.table)
                reader.complain(
                    key,
                    path,
                    f"the parameter {quoted(name)}",
                    "a parameter of the fixed list",
                    near,
                )

    def json(self) -> dict[str, object]:
        return self.json_below("")

    def json_below(self, prefix: str) -> dict[str, object]:
        properties: dict[str, Any] = {}
        for name, shape in self.shapes.items():
            if name.startswith(prefix):
                properties[name[len(prefix) :]] = {
                    **shape.json(),
                    "description": self.table[name].doc,
                }
        for branch in sorted(self.branches):
            if branch.startswith(prefix):  # `limits.rise_time: {min: ...}` is as good as nesting
                below = self.json_below(branch + ".")
                own = properties.get(branch[len(prefix) :])
                properties[branch[len(prefix) :]] = {"anyOf": [own, below]} if own else below
        return {
            "type": "object",
            "description": f"parameters of {prefix.rstrip('.')}" if prefix else self.label,
            "properties": properties,
            "additionalProperties": False,
        }


def _shape_of(parameter: Parameter) -> Shape:
    if parameter.kind == "choice":
        return OneOf(parameter.choices)
    if parameter.kind == "count":
        return Int(0, 1_000_000, "a whole number 0..1000000")
    return Qty(parameter.dimension, parameter.sign)
