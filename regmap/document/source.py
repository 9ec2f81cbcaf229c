"""YAML text to nodes with places, safely: nothing is constructed, nothing can explode.

A user's file is untrusted input. Before a node tree is built, one pass over the event stream
bounds depth, node count, scalar length and what aliases would expand to; so a 400-byte alias bomb
or 200,000 brackets end in one clear refusal. Scalars stay text: our own number rules read them
(YAML would make 8 of `010`, 90 of `1:30` and a boolean of `on`).
"""

from __future__ import annotations

import io
import re
from functools import cached_property
from pathlib import Path
from typing import Any

import yaml

from ..budgets import limit, over
from ..digest import hashed
from ..errors import FileError, Place, Problem
from .within import BUNDLED, tell_of_read

_Base = getattr(yaml, "CSafeLoader", yaml.SafeLoader)

Node = yaml.Node
MappingNode = yaml.MappingNode
SequenceNode = yaml.SequenceNode
ScalarNode = yaml.ScalarNode


#: of every node; explicit ones are refused
TAG = "tag:yaml.org,2002:str"


class _Loader(_Base):  # type: ignore[misc, valid-type]  # the C loader has no types
    """Nodes by kind alone: scalars are read by rules of our own, so YAML's guesses are not made, and no tag is looked at.

    The parser, in C, calls these three for every node, and each is in C too: a text without places for what it is
    given is formatted to itself, and of the others nobody looks at what they return. That halves the time of composing.
    """

    resolve = TAG.format
    descend_resolver: Any = {}.get
    ascend_resolver: Any = [].copy


class Source:
    """One file as text and node tree. `name` is what messages call it, `path` where it lies."""

    def __init__(self, name: str, text: str, node: Node, path: Path | None = None) -> None:
        self.name = name
        self.path = path
        self.text = text
        self.node = node
        #: scalars that name another document, which is read, by identity
        self.names: set[int] = set()

    @cached_property
    def lines(self) -> list[str]:
        """Only a message shows one."""
        return self.text.splitlines()

    @property
    def digest(self) -> str:
        """SHA-256 of what the document says, in hex: comments, blanks and line ends do not count.

        Nor does what the documents that it names and that are read are called: their digests stand beside this one.
        """
        pieces: list[str] = []
        waiting = [self.node]
        while waiting:
            node = waiting.pop()
            kind = type(node)  # ten thousand nodes: classes are compared, not inherited from
            if kind is ScalarNode:
                pieces.append("\3" if id(node) in self.names else node.value)
            elif kind is MappingNode:
                pieces.append(f"\1{len(node.value)}")
                for key, value in node.value:
                    waiting += (value, key)
            else:
                pieces.append(f"\2{len(node.value)}")
                waiting += node.value
        return hashed("\0".join(pieces))


class Sources:
    """Every file read for one document (a map and what it extends), by name."""

    def __init__(self) -> None:
        self.by_name: dict[str, Source] = {}

    def add(self, source: Source) -> None:
        self.by_name[source.name] = source

    def names_document(self, node: Node) -> None:
        """This scalar of one of the files names another document, which is read."""
        source = self.by_name.get(node.start_mark.name)
        if source is not None:
            source.names.add(id(node))

    @property
    def digest(self) -> str:
        """One digest of all: of what they say, whatever they are called."""
        return hashed("".join(s.digest for s in self.by_name.values()))

    def place(self, node: Node | None, *, whole: bool = False) -> Place:
        """The place of a node: its first line; the span is the scalar's or the key's length."""
        if node is None:
            return Place(next(iter(self.by_name), "?"))
        mark, end = node.start_mark, node.end_mark
        source = self.by_name.get(mark.name)
        text = source.lines[mark.line] if source and mark.line < len(source.lines) else ""
        if isinstance(node, ScalarNode) or whole:
            span = end.column - mark.column if end.line == mark.line else len(text) - mark.column
        else:
            span = 1
        return Place(mark.name, mark.line + 1, mark.column + 1, max(1, span), text)

    @staticmethod
    def origin(node: Node) -> str:
        """ "file:line" of a node, cheap enough to keep with every entry."""
        return f"{node.start_mark.name}:{node.start_mark.line + 1}"


def has_key(node: Node, key: str) -> bool:
    """Whether a document is a mapping with this key at its top."""
    return isinstance(node, MappingNode) and any(
        isinstance(k, ScalarNode) and k.value == key for k, _ in node.value
    )


def display_name(path: Path) -> str:
    """How a file is called in messages: as the user gave it; a bundled one without the way to it."""
    if path.is_absolute() and path.parent in BUNDLED:
        return f"bundled:{path.name}"
    return str(path)


def read_text(path: Path) -> str:
    """The text of a file the user wrote, or FileError that says in one line why not."""
    name = display_name(path)
    tell_of_read(path)
    try:
        with path.open("rb") as handle:
            data = handle.read(limit("bytes") + 1)
    except FileNotFoundError:
        raise FileError.at(name, "no such file", "a YAML file that can be read") from None
    except IsADirectoryError:
        raise FileError.at(name, "a directory", "a YAML file") from None
    except OSError as error:
        raise FileError.at(name, f"cannot be read ({error.strerror or error})") from None
    return decode_text(name, data)


def decode_text(name: str, data: bytes) -> str:
    """Bytes to text, refusing what cannot be a YAML file."""
    if len(data) > limit("bytes"):
        raise FileError.at(name, *over("bytes"))
    if b"\0" in data:
        raise FileError.at(name, "a binary file (it holds zero bytes)", "YAML text in UTF-8")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = data.count(b"\n", 0, error.start) + 1
        column = error.start - (data.rfind(b"\n", 0, error.start) + 1) + 1
        place = Place(name, line, column, 1, "")
        raise FileError.at(
            place, f"byte 0x{data[error.start]:02X} is not UTF-8", "YAML text in UTF-8"
        ) from None


class _Named(io.BytesIO):
    name = ""


def compose_file(path: Path, text: str | None = None) -> Source:
    """A file to a node tree; `text` stands in for what the file holds. Raises FileError."""
    source = compose(display_name(path), read_text(path) if text is None else text)
    source.path = path
    return source


def compose(name: str, text: str) -> Source:
    """Text to a node tree. Raises FileError with the place of the first thing that is not YAML."""
    data = _Named(text.encode())
    data.name = name
    try:
        if not _tame(text):
            _bound(name, text, data)
        data.seek(0)
        # compose's annotation knows only pure-Python loaders
        node = yaml.compose(data, Loader=_Loader)
    except yaml.MarkedYAMLError as error:
        raise FileError([_yaml_problem(name, text, error)]) from None
    except yaml.reader.ReaderError as error:
        raise FileError([_reader_problem(name, text, error)]) from None
    if node is None:
        raise FileError.at(
            name, "an empty file", "a map or a stage; `gateword new` writes a first one"
        )
    return Source(name, text, node)


def _line(text: str, number: int) -> str:
    lines = text.splitlines()
    return lines[number] if 0 <= number < len(lines) else ""


def _yaml_problem(name: str, text: str, error: yaml.MarkedYAMLError) -> Problem:
    mark = error.problem_mark or error.context_mark
    what = " ".join(p for p in (error.problem, error.context) if p)
    if mark is None:
        return Problem(Place(name), f"not YAML: {what}")
    line = _line(text, mark.line)
    if "exceeded max" in what:  # the parser's own bound, met before its events reach ours
        place = Place(name, mark.line + 1, mark.column + 1, 1, line)
        return Problem(place, *over("nesting"))
    if line[mark.column : mark.column + 1] == "\t":
        place = Place(name, mark.line + 1, mark.column + 1, 1, line)
        return Problem(place, "not YAML: a tab", "spaces to indent with")
    expected = "valid YAML"
    bound = re.match(r"[^#]*?:\s+([<>]=.*?)\s*(?:\s#.*)?$", line)
    if bound is not None:
        expected = f'quotes around a value that begins with {bound[1][:2]}: "{bound[1]}"'
    return Problem(
        Place(name, mark.line + 1, mark.column + 1, 1, line), f"not YAML: {what}", expected
    )


def _reader_problem(name: str, text: str, error: yaml.reader.ReaderError) -> Problem:
    bad = (
        error.character
        if isinstance(error.character, int)
        else ord(str(error.character)[:1] or "?")
    )
    char = chr(bad)
    at = text.find(char)
    line = text.count("\n", 0, at) if at >= 0 else 0
    column = at - (text.rfind("\n", 0, at) + 1) + 1 if at >= 0 else 1
    place = Place(name, line + 1, column, 1, _line(text, line))
    return Problem(place, f"the control character U+{bad:04X}", "printable text")


#: an anchor, an alias or a tag, or what looks like one
_EXPANDS = re.compile(r"(?:^|[\s\[{,:\-])[&*!][^\s=]", re.MULTILINE)
#: brackets in brackets in brackets
_NESTS = re.compile(r"[\[{]\s*[\[{]\s*[\[{]")
#: a key that is more than a name
_ASKS = re.compile(r"\n *\?\s")
#: deep indentation; documents
_PARTS = ("\n" + " " * 40, "\n---", "\n...")


def _tame(text: str) -> bool:
    """Whether a text cannot explode, told from its characters alone; most maps are told so.

    Without anchors nothing expands, and there are no more nodes than twice the signs that part
    them. What is left is bounded by the parser's own limit on nesting. All other texts are looked
    at event by event, which costs as much as composing them.
    """
    signs = sum(map(text.count, ",:-[{\n"))
    longest = max(map(len, text.splitlines()), default=0)
    if 2 * signs + 2 > limit("values") or longest > 2000 or text.startswith(("---", "...", "? ")):
        return False
    # one sign is found a hundred times as quickly as a pattern
    return not (
        any(part in text for part in _PARTS)
        or ("?" in text and _ASKS.search(text))
        or _NESTS.search(text)
        or (any(sign in text for sign in "&*!") and _EXPANDS.search(text))
    )


def _bound(name: str, text: str, data: io.BytesIO) -> None:
    """One pass over the events: depth, node count, scalar length, what aliases expand to."""
    depth = total = documents = 0
    most, longest, deepest = limit("values"), limit("text"), limit("nesting")
    sizes: dict[str, int] = {}
    open_anchors: list[tuple[str | None, int]] = []

    def refuse(event: yaml.Event, found: str, expected: str) -> FileError:
        mark = event.start_mark
        assert mark is not None  # every event of a parsed text has one
        place = Place(name, mark.line + 1, mark.column + 1, 1, _line(text, mark.line))
        return FileError.at(place, found, expected)

    events = _Loader(data)
    while (event := events.get_event()) is not None:
        kind = type(event)  # ten thousand events: classes are compared, not inherited from
        if kind is yaml.ScalarEvent:
            total += 1
            if len(event.value) > longest:
                raise refuse(event, *over("text", len(event.value)))
            if event.anchor:
                sizes[event.anchor] = 1
            if event.tag and not event.implicit[0] and not event.implicit[1]:
                raise refuse(event, f"the tag {event.tag[:40]}", "plain values without tags")
        elif kind is yaml.MappingStartEvent or kind is yaml.SequenceStartEvent:
            depth += 1
            total += 1
            if depth > deepest:
                raise refuse(event, *over("nesting"))
            if event.tag and not event.implicit:
                raise refuse(event, f"the tag {event.tag[:40]}", "plain values without tags")
            open_anchors.append((event.anchor, total))
            if event.anchor:
                sizes[event.anchor] = -1
        elif kind is yaml.MappingEndEvent or kind is yaml.SequenceEndEvent:
            depth -= 1
            anchor, start = open_anchors.pop()
            if anchor:
                sizes[anchor] = total - start + 1
        elif kind is yaml.AliasEvent:
            anchor = event.anchor or ""
            size = sizes.get(anchor, 0)
            if size < 0:
                raise refuse(
                    event, f"*{anchor[:40]} contains itself", "an alias of something complete"
                )
            total += size
        elif kind is yaml.DocumentStartEvent:
            documents += 1
            if documents > 1:
                raise refuse(event, "a second document in one file", "one document")
        if total > most:
            raise refuse(event, *over("values"))
