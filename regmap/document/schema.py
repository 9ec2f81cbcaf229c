"""Shapes: one table says what a document may hold; reading and the JSON Schema both come from it.

A shape reads a YAML node into a plain value and reports every misfit to the `Reader`, so one run
finds all problems. Mappings become `Rec` (a dict that remembers where each key and value stood).
A value that could not be read is left out of its `Rec`; later passes only see what is sound.

`json()` of the same shape gives the JSON Schema that editors complete and underline with.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from functools import cached_property
from typing import Any

from ..errors import CallError, closest
from ..expr import parse_expr
from ..formerly import KEYS, VALUES
from ..quantity import DIMENSIONS, Band, parse, parse_band
from .reader import BAD, Reader, Rec, Seq, kind_of, quoted
from .source import MappingNode, Node, ScalarNode, SequenceNode

__all__ = [
    "BAD",
    "NAME",
    "OPTION",
    "BitsShape",
    "Bool",
    "ByKind",
    "ExprShape",
    "Int",
    "Later",
    "Many",
    "OneOf",
    "Qty",
    "Reader",
    "Rec",
    "Record",
    "Scalar",
    "Seq",
    "Shape",
    "Table",
    "Text",
    "Word",
    "band_of",
    "kind_of",
    "quoted",
    "read_int",
]


class Shape:
    """Base of all shapes: `label` says what is expected, in the words of a message."""

    label = "a value"

    def read(self, node: Node, reader: Reader, path: str) -> Any:
        raise NotImplementedError

    def json(self) -> dict[str, object]:
        raise NotImplementedError


class Scalar(Shape):
    """Any one-line value; subclasses convert its text."""

    def read(self, node: Node, reader: Reader, path: str) -> Any:
        if not isinstance(node, ScalarNode):
            return reader.complain(node, path, kind_of(node), self.label)
        if node.value == "" and node.style is None:
            return reader.complain(node, path, "nothing", self.label)
        return self.convert(node, node.value, reader, path)

    def convert(self, node: Node, text: str, reader: Reader, path: str) -> Any:
        raise NotImplementedError


_INT = re.compile(r"[+-]?(?:0[xX][0-9a-fA-F_]+|0[bB][01_]+|[0-9][0-9_]*)")


def read_int(text: str) -> int | None:
    """A whole number as people write it: 31, 0x1F, 0b1_1111; None if it is none. No octal."""
    if len(text) < 20 and text.isascii() and text.isdigit():
        return int(text)
    if len(text) > 80 or _INT.fullmatch(text) is None:
        return None
    bare = text.lstrip("+-").replace("_", "")
    try:
        value = int(bare, 0) if bare[:2].lower() in ("0x", "0b") else int(bare, 10)
    except ValueError:
        return None
    return -value if text.startswith("-") else value


def read_word(text: str) -> int | None:
    """A word as people type it: 0x12E, 0b11, or digits that mean the same in every base; None if it is none.

    Raises CallError for digits that are one number in hex and another in decimal: both are common
    for words, and a wrong guess would go unnoticed.
    """
    value = read_int(text)
    digits = text.replace("_", "")
    if value is not None and digits.isdigit() and int(digits, 16) != value:
        raise CallError(
            f"{text!r} can be hex or decimal",
            f"0x{int(digits, 16):X} or 0x{value:X} (decimal {value})",
            part=text,
        )
    return value


class Int(Scalar):
    """A whole number, decimal, 0x or 0b."""

    def __init__(self, low: int = 0, high: int = (1 << 64) - 1, label: str = "") -> None:
        self.low, self.high = low, high
        top = f"0x{high:X}" if high > 9999 else str(high)
        self.label = label or f"a whole number {low}..{top}"

    def convert(self, node: Node, text: str, reader: Reader, path: str) -> Any:
        value = read_int(text)
        if value is None:
            return reader.complain(node, path, quoted(text), self.label)
        if not self.low <= value <= self.high:
            near = self.low if value < self.low else self.high
            return reader.complain(node, path, quoted(text), self.label, str(near))
        return value

    def json(self) -> dict[str, object]:
        return {
            "anyOf": [
                {"type": "integer", "minimum": self.low, "maximum": self.high},
                {
                    "type": "string",
                    "pattern": r"^[+-]?(0[xX][0-9a-fA-F_]+|0[bB][01_]+|[0-9][0-9_]*)$",
                },
            ]
        }


class Bool(Scalar):
    """yes or no."""

    label = "yes or no"
    words: Mapping[str, bool] = {"yes": True, "true": True, "no": False, "false": False}

    def convert(self, node: Node, text: str, reader: Reader, path: str) -> Any:
        value = self.words.get(text.lower())
        if value is None:
            return reader.complain(node, path, quoted(text), self.label)
        return value

    def json(self) -> dict[str, object]:
        return {"anyOf": [{"type": "boolean"}, {"enum": ["yes", "no", "true", "false"]}]}


class Text(Scalar):
    """Free text for people."""

    label = "a text"

    def __init__(self, longest: int = 2000) -> None:
        self.longest = longest

    def convert(self, node: Node, text: str, reader: Reader, path: str) -> Any:
        if len(text) > self.longest:
            return reader.complain(
                node, path, f"a text of {len(text)} characters", f"at most {self.longest}"
            )
        if not text.isprintable():
            for char in text:
                if not (char.isprintable() or char in "\n "):
                    return reader.complain(
                        node, path, f"the character U+{ord(char):04X}", "printable text"
                    )
        elif "  " not in text and text.strip() == text:  # as most are
            return text
        return " ".join(text.split())

    def json(self) -> dict[str, object]:
        return {"type": ["string", "number", "boolean"]}


class Word(Scalar):
    """A name of a stated form."""

    def __init__(self, pattern: str, label: str) -> None:
        self._text = pattern
        self.label = label

    @cached_property
    def pattern(self) -> re.Pattern[str]:
        """Not before the first word of this form."""
        return re.compile(self._text, re.ASCII)

    def convert(self, node: Node, text: str, reader: Reader, path: str) -> Any:
        if len(text) <= 64 and self.pattern.fullmatch(text):
            return text
        if not text.isascii():
            odd = next(c for c in text if not c.isascii())
            return reader.complain(
                node,
                path,
                f"{quoted(text)} with the character U+{ord(odd):04X}",
                f"{self.label}, in ASCII",
            )
        near = re.sub(r"[^A-Za-z0-9_]+", "_", text)[:64]
        if near[:1].isdigit():
            near = "_" + near
        return reader.complain(
            node, path, quoted(text), self.label, near if self.pattern.fullmatch(near) else ""
        )

    def json(self) -> dict[str, object]:
        return {"type": ["string", "integer", "number", "boolean"]}


NAME = Word(r"[A-Za-z_][A-Za-z0-9_]*", "a name of letters, digits and _")
OPTION = Word(r"[A-Za-z0-9_+\-.%/]+", "an option's name without spaces")


class OneOf(Scalar):
    """One word of a closed list, each with its explanation; `old` names a row of formerly.VALUES."""

    def __init__(self, words: Mapping[str, Any] | Iterable[str], old: str = "") -> None:
        self.old = VALUES.get(old, {})
        self.words: dict[str, Any] = (
            dict(words) if isinstance(words, Mapping) else {w: w for w in words}
        )
        shown = list(self.words)
        self.label = "one of " + ", ".join(shown) if len(shown) <= 24 else "one of a fixed list"

    def convert(self, node: Node, text: str, reader: Reader, path: str) -> Any:
        if text in self.words:
            return text
        if text in self.old:
            reader.renamed(node, path, text, self.old[text])
            return self.old[text]
        near = closest(text, self.words)
        return reader.complain(node, path, quoted(text), self.label, near)

    def json(self) -> dict[str, object]:
        words: list[Any] = list(self.words)
        for word in list(self.words):
            value = read_int(word)
            if value is not None:
                words.append(value)
            if word in ("yes", "no", "on", "off", "true", "false"):
                words.append(word in ("yes", "on", "true"))
        return {"enum": words}


class QuantityShape(Scalar):
    """One exact quantity with its unit, as a fraction of base units; no tolerance."""

    def __init__(self, want: str, sign: str = "more than zero") -> None:
        self.want, self.sign = want, sign
        self.label = f"a {want} with its unit"

    def convert(self, node: Node, text: str, reader: Reader, path: str) -> Any:
        try:
            value = parse(text, self.want).value
        except CallError as error:
            return reader.refuse(node, path, error, self.label)
        if value <= 0 and self.sign == "more than zero":
            return reader.complain(node, path, quoted(text), "more than 0")
        return value

    def json(self) -> dict[str, object]:
        return {"type": ["string", "number"]}


class Qty(Shape):
    """A quantity with min/typ/max: text, or a mapping of min, typ, max and tolerance."""

    def __init__(self, want: str | None, sign: str = "any") -> None:
        self.want = want
        self.sign = sign
        unit = DIMENSIONS[want][1] if want else ""
        self.label = f"a {want}" + (f" in {unit}" if unit else "") if want else "a quantity"
        self.parts = ("min", "typ", "max", "tolerance")

    def read(self, node: Node, reader: Reader, path: str) -> Any:
        if isinstance(node, ScalarNode) and node.value != "":
            try:
                return self.signed(parse_band(node.value, self.want), node, reader, path)
            except CallError as error:
                return reader.refuse(node, path, error, self.label)
        if isinstance(node, MappingNode):
            return self.read_mapping(node, reader, path)
        return reader.complain(node, path, kind_of(node), self.label)

    def signed(self, band: Band, node: Node, reader: Reader, path: str) -> Any:
        """The band, if its sign is one that the parameter can have."""
        if self.sign != "any" and (
            band.low < 0 or (band.low == 0 and self.sign == "more than zero")
        ):
            return reader.complain(node, path, str(band), f"{self.label}, {self.sign}")
        return band

    def read_mapping(self, node: MappingNode, reader: Reader, path: str) -> Any:
        found: dict[str, str] = {}
        for key, value in node.value:
            name = key.value if isinstance(key, ScalarNode) else ""
            if name not in self.parts:
                return reader.complain(
                    key,
                    path,
                    kind_of(key),
                    "min, typ, max or tolerance",
                    closest(name, self.parts),
                )
            if not isinstance(value, ScalarNode):
                return reader.complain(value, f"{path}.{name}", kind_of(value), self.label)
            found[name] = value.value
        try:
            return self.signed(band_of(found, self.want), node, reader, path)
        except CallError as error:
            return reader.refuse(node, path, error, self.label)

    def json(self) -> dict[str, object]:
        scalar: dict[str, Any] = {"type": ["string", "number"]}
        parts = dict.fromkeys(self.parts, scalar)
        mapping = {
            "type": "object",
            "properties": parts,
            "additionalProperties": False,
            "minProperties": 1,
        }
        return {"description": self.label, "anyOf": [scalar, mapping]}


def band_of(found: Mapping[str, str], want: str | None) -> Band:
    """A band from the texts of min, typ, max and tolerance; a side not given equals its neighbour."""
    sides = {k: parse(v, want) for k, v in found.items() if k != "tolerance"}
    if not sides:
        raise CallError("neither min, typ nor max is given")
    dims = {q.dim for q in sides.values()}
    if len(dims) > 1:
        raise CallError("min, typ and max are of different kinds")
    if "tolerance" in found:
        if set(sides) != {"typ"}:
            raise CallError("a tolerance goes with typ alone")
        return parse_band(f"{found['typ']} +- {found['tolerance']}", want)
    values = {k: q.value for k, q in sides.items()}
    low = values.get("min", values.get("typ", values.get("max")))
    high = values.get("max", values.get("typ", values.get("min")))
    assert low is not None
    assert high is not None
    typ = values.get("typ", (low + high) / 2 if "min" in values and "max" in values else low)
    return Band(
        low, typ, high, dims.pop(), "/".join(k for k in ("min", "typ", "max") if k in values)
    )


_SPAN = re.compile(
    r"\s*(?:(?P<reg>[A-Za-z_]\w*)\s*\[\s*)?(?P<hi>[0-9]{1,3})(?:\s*\.\.\s*(?P<lo>[0-9]{1,3}))?\s*\]?\s*"
)


class BitsShape(Shape):
    """Bit numbers: `7`, `7..4`, or a list of those, most significant first."""

    label = "bits such as 7, 7..4 or [9, 3..1], most significant first"

    def read(self, node: Node, reader: Reader, path: str) -> Any:
        nodes = node.value if isinstance(node, SequenceNode) else [node]
        bits: list[int] = []
        for item in nodes:
            if not isinstance(item, ScalarNode):
                return reader.complain(item, path, kind_of(item), self.label)
            match = _SPAN.fullmatch(item.value)
            if match is None or match["reg"]:
                near = item.value.replace(":", "..") if re.fullmatch(r"\d+:\d+", item.value) else ""
                return reader.complain(item, path, quoted(item.value), self.label, near)
            high, low = int(match["hi"]), int(match["lo"] or match["hi"])
            if max(high, low) > 255:
                return reader.complain(item, path, quoted(item.value), "bit numbers up to 255")
            if high < low:
                each = (
                    ", ".join(map(str, range(high, low + 1))) if low - high < 12 else f"{high}, ..."
                )
                return reader.complain(
                    item,
                    path,
                    f"{quoted(item.value)}, which runs upwards",
                    f"{low}..{high} where bit {low} is the most significant (as in most data sheets), "
                    f"or [{each}] where bit {high} is",
                    f"{low}..{high}",
                )
            bits.extend(range(high, low - 1, -1))
            if len(bits) > 256:
                return reader.complain(node, path, "more than 256 bits", self.label)
        if not bits:
            return reader.complain(node, path, "an empty list", self.label)
        if len(set(bits)) != len(bits):
            twice = next(b for b in bits if bits.count(b) > 1)
            return reader.complain(node, path, f"bit {twice} twice", self.label)
        return tuple(bits)

    def json(self) -> dict[str, object]:
        one = {
            "anyOf": [
                {"type": "integer", "minimum": 0, "maximum": 255},
                {"type": "string", "pattern": r"^\s*\d{1,3}(\s*\.\.\s*\d{1,3})?\s*$"},
            ]
        }
        return {
            "description": self.label,
            "anyOf": [*one["anyOf"], {"type": "array", "items": one, "minItems": 1}],
        }


class ExprShape(Scalar):
    """A condition in the language of regmap.expr."""

    label = "a condition such as REG.FIELD == option"

    def convert(self, node: Node, text: str, reader: Reader, path: str) -> Any:
        try:
            return parse_expr(text)
        except CallError as error:
            return reader.refuse(node, path, error, self.label)

    def json(self) -> dict[str, object]:
        return {"type": "string", "description": self.label}


class Record(Shape):
    """A mapping with known keys: name -> (shape, required, explanation)."""

    label = "a mapping"

    def __init__(
        self,
        keys: Mapping[str, tuple[Shape, bool, str]],
        label: str = "a mapping",
        hints: Mapping[str, str] | None = None,
    ) -> None:
        self.keys = dict(keys)
        # nearly all that is read is one scalar: its text goes to `convert` without the step through `read`
        self._readers = {
            name: (shape.read, shape.convert if type(shape).read is Scalar.read else None)  # type: ignore[attr-defined]
            for name, (shape, _, _) in self.keys.items()
        }
        self.required = tuple(n for n, (_, needed, _doc) in self.keys.items() if needed)
        self.label = label
        self.hints = hints or {}

    def read(self, node: Node, reader: Reader, path: str) -> Any:
        if not isinstance(node, MappingNode):
            return reader.complain(node, path, kind_of(node), self.label)
        rec = Rec(node, path)
        keys, key_nodes, value_nodes = self._readers, rec.key_nodes, rec.value_nodes
        old = KEYS.get(self.label)
        meant: set[str] = set()
        ahead = f"{path}." if path else ""
        for key, value in node.value:
            name = key.value if isinstance(key, ScalarNode) else ""
            if old is not None and name in old:
                reader.renamed(key, path, name, old[name])
                name = old[name]
            readers = keys.get(name)
            if readers is None:
                near = self.hints.get(name) or closest(name, keys)
                meant.add(near)
                reader.complain(
                    key, path, f"the key {kind_of(key)}", "one of " + ", ".join(keys), near
                )
                continue
            if name in key_nodes:
                first = key_nodes[name].start_mark.line + 1
                reader.complain(
                    key, path, f"the key '{name}' again", f"it once (first at line {first})"
                )
                continue
            key_nodes[name] = key
            value_nodes[name] = value
            any_way, scalar = readers
            if scalar is not None and type(value) is ScalarNode and value.value != "":
                read = scalar(value, value.value, reader, ahead + name)
            else:
                read = any_way(value, reader, ahead + name)
            if read is not BAD:
                rec[name] = read
        for name in self.required:
            if name not in key_nodes and name not in meant:
                label = self.keys[name][0].label
                reader.complain(node, path, f"no key '{name}'", f"{name}: {label}")
        return rec

    def json(self) -> dict[str, object]:
        properties = {}
        for name, (shape, _, doc) in self.keys.items():
            properties[name] = {**shape.json(), **({"description": doc} if doc else {})}
        result: dict[str, Any] = {
            "type": "object",
            "properties": properties,
            "additionalProperties": False,
        }
        if self.required:
            result["required"] = list(self.required)
        return result


class Table(Shape):
    """A mapping of the user's own names to one shape; `key` reads the name."""

    def __init__(
        self, key: Scalar, value: Shape, label: str = "a mapping of names", least: int = 0
    ) -> None:
        self.key, self.value, self.label, self.least = key, value, label, least

    def read(self, node: Node, reader: Reader, path: str) -> Any:
        if not isinstance(node, MappingNode):
            return reader.complain(node, path, kind_of(node), self.label)
        rec = Rec(node, path)
        folded: dict[str, str] = {}
        for key, value in node.value:
            name = self.key.read(key, reader, path)
            if name is BAD:
                continue
            label = str(name)
            shown = label if len(label) <= 64 else kind_of(key).strip("'")
            if label in rec.key_nodes:
                first = rec.key_nodes[label].start_mark.line + 1
                reader.complain(
                    key, path, f"the key '{shown}' again", f"it once (first at line {first})"
                )
                continue
            rec.key_nodes[label] = key
            rec.value_nodes[label] = value
            twin = folded.setdefault(label.casefold(), label)
            if twin != label:
                reader.complain(
                    key, path, f"'{label}' beside '{twin}'", "names that differ by more than case"
                )
                continue
            read = self.value.read(value, reader, f"{path}.{shown}")
            if read is not BAD:
                rec[label] = read
        if len(rec.key_nodes) < self.least:
            reader.complain(node, path, "an empty mapping", self.label)
        return rec

    def json(self) -> dict[str, object]:
        return {
            "type": "object",
            "additionalProperties": self.value.json(),
            "minProperties": self.least,
        }


class Many(Shape):
    """A list of one shape; a single value may stand for a list of one."""

    def __init__(self, item: Shape, label: str = "", single: bool = True) -> None:
        self.item, self.single = item, single
        self.label = label or f"a list ({item.label} each)"

    def read(self, node: Node, reader: Reader, path: str) -> Any:
        if not isinstance(node, SequenceNode):
            if not self.single or (isinstance(node, ScalarNode) and node.value == ""):
                return reader.complain(node, path, kind_of(node), self.label)
            nodes = [node]
        else:
            nodes = node.value
        seq = Seq(node, path)
        for index, item in enumerate(nodes):
            read = self.item.read(item, reader, f"{path}[{index}]")
            if read is not BAD:
                seq.append(read)
                seq.nodes.append(item)
        return seq

    def json(self) -> dict[str, object]:
        array: dict[str, object] = {"type": "array", "items": self.item.json()}
        return {"anyOf": [array, self.item.json()]} if self.single else array


class ByKind(Shape):
    """One shape for a scalar, one for a mapping, one for a list."""

    def __init__(
        self,
        label: str,
        scalar: Shape | None = None,
        mapping: Shape | None = None,
        sequence: Shape | None = None,
    ) -> None:
        self.label, self.scalar, self.mapping, self.sequence = label, scalar, mapping, sequence

    def read(self, node: Node, reader: Reader, path: str) -> Any:
        shape = self.scalar
        if isinstance(node, MappingNode):
            shape = self.mapping
        elif isinstance(node, SequenceNode):
            shape = self.sequence
        if shape is None:
            return reader.complain(node, path, kind_of(node), self.label)
        return shape.read(node, reader, path)

    def json(self) -> dict[str, object]:
        shapes = [s for s in (self.scalar, self.mapping, self.sequence) if s is not None]
        return {"description": self.label, "anyOf": [s.json() for s in shapes]}


class Later(Shape):
    """A shape that is made when first used, for tables that refer to each other."""

    def __init__(self, make: Callable[[], Shape], label: str) -> None:
        self.make, self.label = make, label

    def read(self, node: Node, reader: Reader, path: str) -> Any:
        return self.make().read(node, reader, path)

    def json(self) -> dict[str, object]:
        return self.make().json()


def nothing_required(node: Any) -> Any:
    """A schema without what it requires, for a document that changes another."""
    if isinstance(node, dict):
        kept = {k: v for k, v in node.items() if not (k == "required" and isinstance(v, list))}
        return {k: nothing_required(v) for k, v in kept.items() if k != "minProperties"}
    if isinstance(node, list):
        return [nothing_required(item) for item in node]
    return node
