"""Documents that extend others: the line of files from the one asked for down, and their trees laid on each other.

The folder tree of the first file bounds what can be read, so a document cannot reach for files of
its own choosing.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

from ..errors import closest
from .reader import Reader
from .source import MappingNode, Node, ScalarNode, Sources, compose_file
from .within import EXPECTED, may_read, named_file

MAX_EXTENDS = 8


def value_of(node: Node, key: str) -> Node | None:
    """What a mapping has under a key, the first where it stands twice."""
    if isinstance(node, MappingNode):
        for key_node, value in node.value:
            if isinstance(key_node, ScalarNode) and key_node.value == key:
                found: Node = value
                return found
    return None


def line_of(
    path: Path, text: str | None, sources: Sources, reader: Reader, what: str
) -> list[Node]:
    """The trees of a document and of those it extends, its own first; `text` stands in for its file.

    `what` is "map" or "stage", for messages. Problems are left in the reader. Raises FileError for a
    file that cannot be read.
    """
    root = path.resolve().parent
    chain: list[Path] = []
    trees: list[Node] = []
    current, current_text = path, text
    while True:
        source = compose_file(current, current_text)
        sources.add(source)
        chain.append(current.resolve())
        trees.append(source.node)
        where = value_of(source.node, "extends")
        if where is None:
            return trees
        found = _following(where, current, root, chain, reader, what)
        if found is None:
            return trees
        sources.names_document(where)
        current, current_text = found, None


def _following(
    where: Node, current: Path, root: Path, chain: list[Path], reader: Reader, what: str
) -> Path | None:
    """The file that `extends` names, or None where it may not be used, which is told."""

    def refuse(found: str, expected: str, near: str = "") -> None:
        reader.complain(where, "extends", found, expected, near)

    if not isinstance(where, ScalarNode):
        refuse("no file name", "a file in this folder tree")
        return None
    following = named_file(current.parent, where.value)
    if following is None:
        refuse(f"{where.value[:60]!r}, which no file can be called", f"a {what} beside this one")
    elif not may_read(following, root / "document.yaml"):
        refuse(f"'{where.value}', outside the folder of the {what}", EXPECTED)
    elif following.resolve() in chain:
        refuse(
            f"'{where.value}', which extends this {what} in turn",
            f"{what}s that do not extend each other",
        )
    elif len(chain) >= MAX_EXTENDS:
        refuse(f"more than {MAX_EXTENDS} {what}s deep", f"a shorter line of {what}s")
    elif not following.is_file():
        beside = following.parent
        names = [p.name for p in beside.glob("*.yaml")] if beside.is_dir() else []
        refuse(
            f"'{where.value}', which is no file",
            f"a {what} beside this one",
            closest(following.name, names),
        )
    else:
        return following
    return None


def laid_over(
    base: Node,
    over: Node,
    whole: Callable[[str, Node], bool] = lambda _path, _over: False,
    path: str = "",
) -> Node:
    """`over` laid on `base`: mappings key by key, everything else, and what is `whole`, replaced.

    `whole` is asked with the dotted path of keys and what lies over. A key given twice stays twice, and is reported by who reads it.
    """
    if not (isinstance(base, MappingNode) and isinstance(over, MappingNode)) or whole(path, over):
        return over
    places: dict[str, int] = {}
    pairs: list[tuple[Any, Any]] = []
    for key, value in base.value:
        if isinstance(key, ScalarNode):
            places[key.value] = len(pairs)
        pairs.append((key, value))
    fresh: set[str] = set()
    for key, value in over.value:
        name = key.value if isinstance(key, ScalarNode) else None
        if name is not None and name in places and name not in fresh:
            fresh.add(name)
            index = places[name]
            below = f"{path}.{name}" if path else name
            pairs[index] = (key, laid_over(pairs[index][1], value, whole, below))
        else:
            pairs.append((key, value))
    return MappingNode(over.tag, pairs, over.start_mark, over.end_mark)


def drop(node: Node | None, name: str) -> bool:
    """Take a key out of a mapping; whether it was there."""
    if not isinstance(node, MappingNode):
        return False
    kept = [(k, v) for k, v in node.value if not (isinstance(k, ScalarNode) and k.value == name)]
    if len(kept) == len(node.value):
        return False
    node.value = kept
    return True
