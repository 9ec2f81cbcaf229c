"""A stage, what it extends, and the parts that it takes from files of their own, as one tree.

    extends: pump_12v.yaml        this stage is that one with what stands here changed
    without: [SENSE.GAIN, waive.sense.range, mosfet.coss]
    mosfet: parts/second.yaml     every value of the group from a part's file; `mosfet.rth: 20 K/W` beside it wins

A part's file says `gateword_part: 1`, `part: {name: ...}`, and the values under their group's name.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

from ..document.layers import drop, laid_over, line_of, value_of
from ..document.reader import Reader
from ..document.schema import BAD
from ..document.source import MappingNode, Node, ScalarNode, Sources, compose_file
from ..document.within import EXPECTED, may_read, named_file
from ..errors import FileError, Problem, closest
from ..maps.shapes import Params
from ..parameters import STAGE
from .grammar import part_shape

#: sections whose entries `without` names with the section before them
SECTIONS = ("waive", "allow", "requirement", "failure_modes", "courses", "modes")
#: groups of inputs: what stands before the first dot of a parameter's name
GROUPS = frozenset(name.partition(".")[0] for name in STAGE)
#: what a mode says of itself, and does not lay over the stage
MODE_KEYS = frozenset({"title", "after", "from", "within", "driving", "entered", "retains"})
_PART = "part of a stage"
#: a key of more is no name of anything, and stays as it is written
MOST_DOTS = 8


def whole_tree(path: Path, text: str | None, sources: Sources, reader: Reader) -> Node:
    """The tree of the stage with everything in it. Problems are in the reader; raises FileError where it ends there."""
    trees = line_of(path, text, sources, reader, "stage")
    if reader.errors:
        raise FileError([])
    if len(trees) == 1 and not _takes_parts(trees[0]):
        alone = value_of(trees[0], "without")
        if alone is not None:
            reader.complain(
                alone, "without", "`without` in a stage that extends none", "extends: FILE"
            )
        return trees[0]
    nested = [_nested(tree) for tree in trees]
    tree = nested.pop()
    while nested:
        over = nested.pop()
        tree = laid_over(tree, over, _whole)
        without = value_of(over, "without")
        if without is not None:
            _remove(tree, without, reader)
    return _with_parts(tree, path, sources, reader)


def mode_tree(tree: Node, mode: Node, path: Path, sources: Sources, reader: Reader) -> Node:
    """The tree of a stage with one of its modes laid over it, and no modes in it."""
    over = _mapping(mode, [p for p in mode.value if p[0].value not in MODE_KEYS])
    whole = laid_over(_nested(tree), _nested(over), _whole)
    drop(whole, "modes")
    return _with_parts(whole, path, sources, reader)


def _names_file(node: Node) -> bool:
    return isinstance(node, ScalarNode) and node.value.endswith((".yaml", ".yml"))


def _takes_parts(tree: Node) -> bool:
    return isinstance(tree, MappingNode) and any(
        isinstance(key, ScalarNode) and key.value in GROUPS and _names_file(value)
        for key, value in tree.value
    )


def _whole(path: str, over: Node) -> bool:
    """A value is replaced as a whole, not its typ alone; so is a group that now comes from a part's file."""
    return path in STAGE or (path in GROUPS and value_of(over, "from") is not None)


def _nested(tree: Node) -> Node:
    """Dotted keys as mappings in mappings, so that both spellings of a name lie on each other."""
    if not isinstance(tree, MappingNode):
        return tree
    pairs: list[tuple[Any, Any]] = []
    for key, value in tree.value:
        name = key.value if isinstance(key, ScalarNode) else ""
        if name == "settings" and isinstance(value, MappingNode):
            value = _folded(value, lambda _: True)
        elif name in GROUPS and _names_file(value):
            value = _mapping(value, [(_key(key, "from"), value)])
        pairs.append((key, value))
    whole = MappingNode(tree.tag, pairs, tree.start_mark, tree.end_mark)
    return _folded(whole, lambda head: head in GROUPS)


def _folded(node: MappingNode, wanted: Any) -> MappingNode:
    """`A.B: x` as `A: {B: x}`, all of one head together, where the first that has it stands."""
    pairs: list[tuple[Any, Any]] = []
    places: dict[str, int] = {}
    for key, value in node.value:
        name = key.value if isinstance(key, ScalarNode) else ""
        head, dot, rest = name.partition(".")
        if name.count(".") > MOST_DOTS:
            head, dot, rest = name, "", ""
        if not dot or not wanted(head):
            if dot or head not in places or not isinstance(value, MappingNode) or not wanted(head):
                if isinstance(value, MappingNode) and wanted(head):
                    value = _folded(value, lambda _: True)
                    places.setdefault(head, len(pairs))
                pairs.append((key, value))
                continue
            inner = _folded(value, lambda _: True)
        else:
            inner = _folded(_mapping(value, [(_key(key, rest), value)]), lambda _: True)
        if head in places:
            at = places[head]
            old_key, old = pairs[at]
            pairs[at] = (old_key, _mapping(old, [*old.value, *inner.value]))
        else:
            places[head] = len(pairs)
            pairs.append((_key(key, head), inner))
    return _mapping(node, pairs)


def _mapping(at: Node, pairs: list[tuple[Any, Any]]) -> MappingNode:
    return MappingNode("tag:yaml.org,2002:map", pairs, at.start_mark, at.end_mark)


def _key(at: Node, name: str) -> ScalarNode:
    return ScalarNode("tag:yaml.org,2002:str", name, at.start_mark, at.end_mark)


def _remove(tree: Node, without: Node, reader: Reader) -> None:
    names = without.value if not isinstance(without, ScalarNode) else [without]
    for item in names:
        if not isinstance(item, ScalarNode):
            continue
        head, _, tail = item.value.partition(".")
        if head in SECTIONS:
            gone = drop(value_of(tree, head), tail) if tail else drop(tree, head)
        elif head in GROUPS:
            gone = _drop_below(tree, item.value.split("."))
        else:
            gone = any(
                _drop_below(section, item.value.split("."))
                for name in ("settings", "external")
                if (section := value_of(tree, name)) is not None
            )
        if not gone:
            reader.complain(
                item,
                "without",
                f"'{item.value}', which the extended stage does not state",
                "REG.FIELD, an input as mosfet.coss, or SECTION.NAME of the extended stage",
            )


def _drop_below(node: Node, names: list[str]) -> bool:
    below: Node | None = node
    for name in names[:-1]:
        below = value_of(below, name) if below is not None else None
    return drop(below, names[-1])


def _with_parts(tree: Node, path: Path, sources: Sources, reader: Reader) -> Node:
    """Groups with what stands in the files that they name; what stands beside the name is laid over it."""
    if not isinstance(tree, MappingNode):
        return tree
    pairs = []
    for key, value in tree.value:
        group = key.value if isinstance(key, ScalarNode) else ""
        named = value_of(value, "from") if group in GROUPS else None
        if named is not None:
            part = _part(named, group, path, sources, reader)
            drop(value, "from")
            value = laid_over(part, value, lambda p, _: p in STAGE, group) if part else value
        pairs.append((key, value))
    return _mapping(tree, pairs)


def _part(
    named: Node, group: str, path: Path, sources: Sources, reader: Reader
) -> MappingNode | None:
    """The values of a group in the file that a node names. Problems are left in the reader."""
    if not isinstance(named, ScalarNode):
        reader.complain(named, group, "no file name", "a part's file in this folder tree")
        return None
    home = sources.by_name[named.start_mark.name].path or path
    file = named_file(home.parent, named.value)
    if file is None:
        reader.complain(named, group, f"{named.value[:60]!r}, which no file can be called", _PART)
        return None
    if not may_read(file, path):
        reader.complain(named, group, f"'{named.value}', outside the folder of the stage", EXPECTED)
        return None
    if not file.is_file():
        beside = file.parent
        names = [p.name for p in beside.glob("*.y*ml")] if beside.is_dir() else []
        near = closest(file.name, names)
        reader.complain(named, group, f"'{named.value}', which is no file", _PART, near)
        return None
    source = compose_file(file, None)
    sources.add(source)
    sources.names_document(named)
    found = value_of(_nested(source.node), group)
    if value_of(source.node, "gateword_part") is None or not isinstance(found, MappingNode):
        reader.complain(
            named,
            group,
            f"'{named.value}', which has no {group} of a part",
            f"a file with gateword_part: 1, part: {{name: ...}} and {group}: {{...}}",
        )
        return None
    return found


def read_part(path: Path, text: str | None = None) -> tuple[str, list[Problem]]:
    """The name of a part and what is wrong with its file; "" where it is none. Raises FileError where it cannot be read."""
    source = compose_file(path, text)
    sources = Sources()
    sources.add(source)
    reader = Reader(sources)
    head: list[tuple[Any, Any]] = []
    values: list[tuple[Any, Any]] = []
    for key, value in source.node.value if isinstance(source.node, MappingNode) else []:
        name = key.value if isinstance(key, ScalarNode) else ""
        (values if name.partition(".")[0] in GROUPS else head).append((key, value))
    rec = part_shape().read(_mapping(source.node, head), reader, "")
    Params(STAGE).read(_mapping(source.node, values), reader, "")
    if not values:
        reader.complain(source.node, "", "no values", f"a group such as {min(GROUPS)}: {{...}}")
    name = "" if rec is BAD or reader.errors else rec["part"]["name"]
    return name, reader.problems
