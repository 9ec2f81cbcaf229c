"""What a document gives while it is read: values that remember their places, and all problems.

`Rec` and `Seq` are a mapping and a list with the nodes they came from. A `Reader` collects every
problem of a run; it knows which names were spoiled by one, so that what refers to them is not
blamed too.
"""

from __future__ import annotations

import re
from typing import Any

from ..errors import CallError, FileError, Place, Problem
from ..formerly import said
from .source import MappingNode, Node, ScalarNode, SequenceNode, Sources


class _Bad:
    """What a shape returns when it has reported a problem."""

    def __repr__(self) -> str:
        return "BAD"


BAD: Any = _Bad()


class Rec(dict[str, Any]):
    """A mapping that was read: values by key, with the nodes they came from."""

    __slots__ = ("key_nodes", "node", "path", "value_nodes")

    def __init__(self, node: Node, path: str) -> None:
        self.node = node
        self.path = path
        self.key_nodes: dict[str, Node] = {}
        self.value_nodes: dict[str, Node] = {}


class Seq(list[Any]):
    """A list that was read, with the nodes of its items."""

    __slots__ = ("node", "nodes", "path")

    def __init__(self, node: Node, path: str) -> None:
        self.node = node
        self.path = path
        self.nodes: list[Node] = []


def _narrowed(place: Place, part: str) -> Place:
    """The place of `part` inside a place, where it stands there as a word of its own."""
    if not part or not place.text or len(part) >= place.span:
        return place
    start = place.column - 1
    hit = re.search(
        rf"(?<![\w.]){re.escape(part)}(?![\w.])", place.text[start : start + place.span]
    )
    if hit is None:
        return place
    return Place(place.file, place.line, place.column + hit.start(), len(part), place.text)


class Reader:
    """Collects problems, with places, while shapes read a document.

    `limit` ends a run that only repeats itself: FileError with what was found. `codes` counts the
    codes that options name, so that ranges cannot make a small file a large model.
    """

    def __init__(self, sources: Sources, limit: int = 100) -> None:
        self.sources = sources
        self.problems: list[Problem] = []
        self.limit = limit
        self.codes = 0
        self.document: Rec | None = None

    def complain(
        self,
        node: Node | None,
        path: str,
        found: str,
        expected: str = "",
        near: str = "",
        severity: str = "error",
        part: str = "",
    ) -> Any:
        """Report; returns BAD so that a shape can `return reader.complain(...)`.

        `part` is the piece of a one-line text that is at fault: only that is underlined. Raises
        FileError with everything found once there are `limit` problems.
        """
        place = _narrowed(self.sources.place(node), part)
        if len(self.problems) >= self.limit:
            last = Problem(place, "more problems from here on", "those above to be mended first")
            raise FileError([*self.problems, last])
        self.problems.append(Problem(place, found, expected, near, path, severity))
        return BAD

    def renamed(self, node: Node | None, path: str, old: str, now: str) -> None:
        """Note that an accepted old name stands there."""
        self.complain(node, path, said(f"'{old}'", f"'{now}'"), severity="note")

    def refuse(self, node: Node | None, path: str, error: CallError, expected: str = "") -> Any:
        """Report what a refusal says; `expected` stands in where it does not say it itself."""
        wanted = error.expected or expected
        return self.complain(node, path, error.found, wanted, error.nearest, part=error.part)

    def has_error(self, path: str) -> bool:
        """Whether something at this key path, or below it, has been reported as an error."""
        below = (path + ".", path + "[")
        return any(
            p.severity == "error" and (p.path == path or p.path.startswith(below))
            for p in self.problems
        )

    def spoiled(self, name: str) -> bool:
        """Whether a name stands in the document but did not come out whole.

        What refers to it is then not to blame: the one message about the name itself is enough.
        """
        document = self.document
        if document is None or not self.errors:
            return False
        if "registers" not in document:
            return True
        head, _, tail = name.partition(".")
        if tail:
            if head not in document["registers"].key_nodes:
                return False
            fields = document["registers"].get(head, {}).get("fields")
            if fields is None:
                return True
            if tail not in fields.key_nodes:
                return False
            path = f"registers.{head}"
            own = any(p.severity == "error" and p.path == path for p in self.problems)
            return (
                own or self.has_error(f"{path}.address") or self.has_error(f"{path}.fields.{tail}")
            )
        for section in ("registers", "commands", "joined", "external", "states", "keys", "faults"):
            recs = document.get(section)
            if recs is not None and name in recs.key_nodes:
                # a fault is left out silently where the field that shows it is spoiled
                return (
                    section == "faults"
                    or self.has_error(f"{section}.{name}")
                    or (section in ("registers", "commands") and self.has_error("frames"))
                )
            if recs is None and section in document.key_nodes:
                return True
        return False

    @property
    def errors(self) -> list[Problem]:
        return [p for p in self.problems if p.severity == "error"]


def kind_of(node: Node) -> str:
    """What a node is, in the words of a message."""
    if isinstance(node, MappingNode):
        return "a mapping"
    if isinstance(node, SequenceNode):
        return "a list"
    if isinstance(node, ScalarNode):
        if node.value == "":
            return "nothing"
        return quoted(node.value)
    return "something unknown"


def quoted(text: str) -> str:
    """Text in quotes, shortened, with nothing unprintable in it."""
    cut = text if len(text) <= 40 else text[:37] + "..."
    return "'" + "".join(c if c.isprintable() else "?" for c in cut) + "'"
