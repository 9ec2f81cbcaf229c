"""`for_each`: entries that are written once and hold for several switches, phases or sides.

    GATE_{side}:
      for_each: {side: [HS, LS], at: [4, 5]}      # side by side: HS with 4, LS with 5
      address: "{at}"

stands for GATE_HS at address 4 and GATE_LS at address 5, and so does a step or a known frame in a list.
Entries within one that is repeated may repeat in turn. The copies keep the places of the entry that
they stand for, so every message points at its line. `0..5` is a list of numbers.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from ..document.schema import Reader, kind_of, quoted
from ..document.source import MappingNode, Node, ScalarNode, SequenceNode
from ..errors import FileError

KEY = "for_each"
#: nodes that repetition may make of one document
MAX_NODES = 200_000
_NAME = re.compile(r"[A-Za-z_]\w*")
_RANGE = re.compile(r"(\d{1,5})\.\.(\d{1,5})")
_EXPECTED = "names with a list each, all of one length, as {side: [HS, LS], at: [4, 5]}"


def repeated(node: Node, reader: Reader) -> Node:
    """The document with every `for_each` written out; what is wrong with one is reported."""
    texts = [source.text for source in reader.sources.by_name.values()]
    # most documents repeat nothing; a text with a backslash may spell the key in another way
    if not any(KEY in text or "\\" in text for text in texts):
        return node
    return _Repeat(reader).node(node, {}, "")


class _Repeat:
    def __init__(self, reader: Reader) -> None:
        self.reader = reader
        self.made = 0

    def node(self, node: Node, names: Mapping[str, str], path: str) -> Node:
        """A node with names put in; one without repetition and names is left as it is."""
        if names:
            self._count(node, path, 1)
        if isinstance(node, ScalarNode):
            return self._scalar(node, names) if names and "{" in node.value else node
        if isinstance(node, MappingNode):
            return self._mapping(node, names, path)
        if isinstance(node, SequenceNode):
            return self._sequence(node, names, path)
        return node

    def _scalar(self, node: Any, names: Mapping[str, str]) -> Node:
        value = re.sub(r"\{([A-Za-z_]\w*)\}", lambda m: names.get(m[1], m[0]), node.value)
        return ScalarNode(node.tag, value, node.start_mark, node.end_mark, node.style)

    def _mapping(self, node: Any, names: Mapping[str, str], path: str) -> Node:
        pairs: list[tuple[Node, Node]] = []
        for key, value in node.value:
            name = key.value if isinstance(key, ScalarNode) else ""
            below = f"{path}.{name}" if path else name
            rounds = self._rounds(value, names, below)
            if rounds is None:
                pairs.append((self.node(key, names, path), self.node(value, names, below)))
                continue
            bare = _without(value)
            if len(rounds) > 1 and not any(f"{{{n}}}" in name for n in rounds[0]):
                told = ", ".join(f"{{{n}}}" for n in rounds[0])
                self.reader.complain(
                    key, path, f"{quoted(name)} for {len(rounds)} entries", f"a name with {told}"
                )
            for each in rounds:
                inner = {**names, **each}
                pairs.append((self.node(key, inner, path), self.node(bare, inner, below)))
        return MappingNode(node.tag, pairs, node.start_mark, node.end_mark, node.flow_style)

    def _sequence(self, node: Any, names: Mapping[str, str], path: str) -> Node:
        items: list[Node] = []
        for index, item in enumerate(node.value):
            below = f"{path}[{index}]"
            rounds = self._rounds(item, names, below)
            bare = item if rounds is None else _without(item)
            items += [self.node(bare, {**names, **each}, below) for each in rounds or [{}]]
        return SequenceNode(node.tag, items, node.start_mark, node.end_mark, node.flow_style)

    def _rounds(
        self, node: Node, names: Mapping[str, str], path: str
    ) -> list[dict[str, str]] | None:
        """What the names stand for, round by round; None where nothing is repeated, [] where that is wrong."""
        over = _over(node)
        if over is None:
            return None
        columns: dict[str, list[str]] = {}
        for key, value in over.value if isinstance(over, MappingNode) else ():
            name = key.value if isinstance(key, ScalarNode) else ""
            values = self._values(value, names)
            if not _NAME.fullmatch(name) or not values:
                self.reader.complain(value, path, f"{KEY} {quoted(name)}", _EXPECTED)
                return []
            if name in columns or name in names:
                self.reader.complain(key, path, f"the name {quoted(name)} again", "another name")
                return []
            columns[name] = values
        if not columns:
            self.reader.complain(over, path, f"{KEY}: {kind_of(over)}", _EXPECTED)
            return []
        lengths = {n: len(v) for n, v in columns.items()}
        if len(set(lengths.values())) > 1:
            told = ", ".join(f"{n} {count}" for n, count in lengths.items())
            self.reader.complain(over, path, f"{KEY} of different lengths ({told})", _EXPECTED)
            return []
        count = next(iter(lengths.values()))
        self._count(over, path, count)
        return [{n: v[i] for n, v in columns.items()} for i in range(count)]

    def _count(self, node: Node, path: str, more: int) -> None:
        """Bound what repetition makes. Raises FileError with everything found so far."""
        self.made += more
        if self.made > MAX_NODES:
            self.reader.complain(
                node, path, f"more than {MAX_NODES} entries by {KEY}", "fewer repetitions"
            )
            raise FileError(self.reader.problems)

    def _values(self, node: Node, names: Mapping[str, str]) -> list[str]:
        node = self.node(node, names, "")
        items = node.value if isinstance(node, SequenceNode) else [node]
        values: list[str] = []
        for item in items:
            if not isinstance(item, ScalarNode) or not item.value:
                return []
            match = _RANGE.fullmatch(item.value)
            if match is None:
                values.append(item.value)
                continue
            low, high = int(match[1]), int(match[2])
            if abs(high - low) > 4096:
                return []
            step = 1 if high >= low else -1
            values += map(str, range(low, high + step, step))
        return values


def _over(node: Node) -> Node | None:
    if isinstance(node, MappingNode):
        for key, value in node.value:
            if isinstance(key, ScalarNode) and key.value == KEY:
                found: Node = value
                return found
    return None


def _without(node: Any) -> Node:
    pairs = [(k, v) for k, v in node.value if not (isinstance(k, ScalarNode) and k.value == KEY)]
    return MappingNode(node.tag, pairs, node.start_mark, node.end_mark, node.flow_style)


def allowing(schema: Any) -> Any:
    """A JSON Schema whose named entries and list items may be repeated: `for_each` sets its own rules."""
    if isinstance(schema, list):
        return [allowing(item) for item in schema]
    if not isinstance(schema, dict):
        return schema
    made = {k: allowing(v) for k, v in schema.items()}
    for key in ("additionalProperties", "items"):
        inner = made.get(key)
        if isinstance(inner, dict) and "properties" in inner:
            repeat = {
                "type": "object",
                "minProperties": 1,
                "additionalProperties": {"type": ["string", "number", "boolean", "array"]},
            }
            made[key] = {
                "if": {"type": "object", "required": [KEY]},
                "then": {"properties": {KEY: repeat}},
                "else": inner,
            }
    return made
