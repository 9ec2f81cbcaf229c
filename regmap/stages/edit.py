"""Settings put into a stage's text at the marks of its YAML events: what was not changed stays, byte for byte.

    text = edit_stage(text, {"GATE_HS.SOURCE": "60 mA", "MODE.RETRY": None}, chip)

Comments, order, quoting, flow maps, dotted keys and line ends stay as the user wrote them; a value
keeps the quoting it had. An anchored value is untied from its aliases first, so that changing one
setting never changes another. Pure: no file is touched here.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping

import yaml

from regmap.record import dataclass, field

from ..chip.model import Chip
from ..errors import CallError

BOM = "\ufeff"
_PLAIN = re.compile(r"[A-Za-z0-9.+][A-Za-z0-9 _./%+\-^()<>=~µΩ°·]*(?<! )")


@dataclass(eq=False)
class _Node:
    """One YAML node with its place in the text; an alias knows what it stands for."""

    kind: str
    start: int
    end: int
    line: int
    value: str = ""
    style: str = ""
    flow: bool = False
    anchor: str = ""
    target: _Node | None = None
    pairs: list[tuple[_Node, _Node]] = field(default_factory=list)
    items: list[_Node] = field(default_factory=list)

    def get(self, key: str) -> tuple[_Node, _Node] | None:
        for pair in self.pairs:
            if pair[0].kind == "scalar" and pair[0].value == key:
                return pair
        return None

    def walk(self) -> Iterator[_Node]:
        yield self
        for key, value in self.pairs:
            yield from key.walk()
            yield from value.walk()
        for item in self.items:
            yield from item.walk()


def _parse(text: str) -> tuple[_Node, int]:
    """The node tree of a text, and where the document's content may be added to at its end."""
    events = iter(yaml.parse(text, Loader=yaml.SafeLoader))
    anchors: dict[str, _Node] = {}
    end = len(text)

    def make(event: yaml.Event) -> _Node:
        start, stop = event.start_mark, event.end_mark
        assert start is not None
        assert stop is not None
        line = start.line + 1
        anchor = getattr(event, "anchor", None) or ""
        if isinstance(event, yaml.AliasEvent):
            return _Node("alias", start.index, stop.index, line, target=anchors[anchor])
        if isinstance(event, yaml.ScalarEvent):
            node = _Node(
                "scalar",
                start.index,
                stop.index,
                line,
                value=event.value,
                style=event.style or "",
                anchor=anchor,
            )
            if anchor:
                anchors[anchor] = node
            return node
        assert isinstance(event, (yaml.MappingStartEvent, yaml.SequenceStartEvent))
        mapping = isinstance(event, yaml.MappingStartEvent)
        node = _Node(
            "map" if mapping else "seq",
            start.index,
            stop.index,
            line,
            flow=bool(event.flow_style),
            anchor=anchor,
        )
        if anchor:
            anchors[anchor] = node
        for inner in events:
            if isinstance(inner, (yaml.MappingEndEvent, yaml.SequenceEndEvent)):
                assert inner.end_mark is not None
                node.end = inner.end_mark.index
                break
            child = make(inner)
            if mapping:
                node.pairs.append((child, make(next(events))))
            else:
                node.items.append(child)
        return node

    root: _Node | None = None
    for event in events:
        if isinstance(event, (yaml.StreamStartEvent, yaml.StreamEndEvent, yaml.DocumentStartEvent)):
            continue
        if isinstance(event, yaml.DocumentEndEvent):
            if event.explicit and event.start_mark is not None:
                end = event.start_mark.index
            continue
        root = make(event)
    if root is None or root.kind != "map":
        raise CallError("a stage file must hold keys and values at its top")
    return root, end


def edit_stage(text: str, changes: Mapping[str, str | None], chip: Chip, *, mode: str = "") -> str:
    """`text` with these settings stated (a value) or no longer stated (None), under a mode where one is named; all
    else as it was.

    Names are REG.FIELD, joined or external values. Raises CallError where the YAML is too odd.
    """
    bom = BOM if text.startswith(BOM) else ""
    text = text.removeprefix(BOM)
    for name, value in changes.items():
        try:
            text = _Edit(text, chip, name, mode).to(value)
        except yaml.YAMLError as error:
            raise CallError(f"the file is no YAML any more: {error}") from None
    return bom + text


class _Edit:
    """One setting of one text. Each step re-reads the text, so marks are never stale."""

    def __init__(self, text: str, chip: Chip, name: str, mode: str = "") -> None:
        self.text = text
        self.mode = mode
        self.chip = chip
        self.name = name
        self.section = "external" if name in chip.externals else "settings"
        self.register, _, self.field = name.rpartition(".")
        self.eol = "\r\n" if "\r\n" in text else "\n"
        self.read()

    def read(self) -> None:
        self.root, self.end = _parse(self.text)
        if self.mode:
            self.root = _mode(self.root, self.mode)

    def splice(self, start: int, end: int, new: str) -> None:
        self.text = self.text[:start] + new + self.text[end:]
        self.read()

    def to(self, value: str | None) -> str:
        trail = self.find()
        if trail is not None:
            self.untie()
            trail = self.find()
            assert trail is not None
            if value is None:
                self.remove(trail)
            else:
                self.replace(trail[-1][1], value)
        elif value is not None:
            self.untie()
            self.insert(value)
        return self.text

    def find(self) -> list[tuple[_Node, _Node]] | None:
        """The pairs from the section down to the setting, or None where it is not stated."""
        top = self.root.get(self.section)
        if top is None:
            return None
        section = _seen(top[1])
        direct = section.get(self.name)
        if direct is not None:
            return [top, direct]
        outer = section.get(self.register) if self.register else None
        inner = _seen(outer[1]).get(self.field) if outer is not None else None
        return [top, outer, inner] if outer is not None and inner is not None else None

    def untie(self) -> None:
        """Write out every alias that the change could be seen through, nearest to the top first."""
        for _ in range(1000):
            alias = self.tied()
            if alias is None:
                return
            assert alias.target is not None
            self.splice(alias.start, alias.end, _copy(alias.target, self.text))
        raise CallError(f"{self.name} hangs on too many aliases")

    def tied(self) -> _Node | None:
        """An alias on the way to the setting, or one that points to something on that way."""
        way: list[_Node] = []
        top = self.root.get(self.section)
        if top is not None:
            way.append(top[1])
            section = _seen(top[1])
            for key, last in ((self.name, True), (self.register, False)):
                pair = section.get(key) if key else None
                if pair is None:
                    continue
                way.append(pair[1])
                inner = None if last else _seen(pair[1]).get(self.field)
                if inner is not None:
                    way.append(inner[1])
        for node in way:
            # an alias that stands for one plain value is simply replaced
            if node.kind == "alias" and node.target is not None and node.target.kind == "map":
                return node
        anchored = {id(n) for n in way if n.anchor}
        for node in self.root.walk():
            if node.kind == "alias" and id(node.target) in anchored and node not in way:
                return node
        return None

    # --- the three changes --------------------------------------------------------------------
    def replace(self, node: _Node, value: str) -> None:
        start, end = node.start, node.end
        if node.kind not in ("scalar", "alias"):
            raise CallError(
                f"line {node.line}: {self.name} is no plain value there; change it by hand"
            )
        if node.anchor:
            match = re.match(r"&\S+[ \t]*", self.text[start:end])
            start += match.end() if match else 0
        new = _scalar(value, node.style)
        if node.style in ("|", ">"):
            tail = self.text[start:end]
            end = start + len(tail.rstrip())
        elif start == end and self.text[start - 1 : start] == ":":
            new = " " + new
        self.splice(start, end, new)

    def insert(self, value: str) -> None:
        top = self.root.get(self.section)
        if top is None:
            self.insert_section(value)
            return
        section = top[1]
        if section.kind == "scalar" and not section.value:
            self.splice(top[0].end, section.end, ": {}")
            self.insert(value)
            return
        if section.kind != "map":
            raise CallError(f"line {section.line}: '{self.section}' holds no settings to add to")
        outer = section.get(self.register) if self.register else None
        if outer is not None and outer[1].kind == "map":
            self.add(outer[1], None, [(self.field, value)])
        elif outer is not None and outer[1].kind == "scalar" and not outer[1].value:
            self.splice(outer[0].end, outer[1].end, ": {}")
            self.insert(value)
        elif not self.register or self.dotted(section):
            self.add(section, self.before(section), [(self.name, value)])
        else:
            self.add(section, self.before(section), [(self.register, None), (self.field, value)])

    def dotted(self, section: _Node) -> bool:
        """Whether this file names fields as REG.FIELD in one key: in this register, or everywhere."""
        keys = [k.value for k, _ in section.pairs]
        if any(k.startswith(f"{self.register}.") for k in keys):
            return True
        return bool(keys) and all("." in k for k in keys)

    def before(self, section: _Node) -> tuple[_Node, _Node] | None:
        """The pair after which a new one stands: of the same register, else of one before it in the map."""
        order = list(self.chip.registers)
        own = order.index(self.register) if self.register in order else len(order)
        found = None
        for pair in section.pairs:
            register = pair[0].value.partition(".")[0]
            if register in order and order.index(register) <= own:
                found = pair
        return found or (section.pairs[-1] if section.pairs else None)

    def add(
        self, into: _Node, after: tuple[_Node, _Node] | None, path: list[tuple[str, str | None]]
    ) -> None:
        """Add a pair (nested when `path` has two steps) to a map, after one of its pairs or at its end."""
        if not into.pairs or into.flow:
            text = _flow(path)
            if not into.pairs:
                self.splice(into.start + len(_anchor(into)), into.end, "{" + text + "}")
            else:
                last = (after or into.pairs[-1])[1]
                self.splice(last.end, last.end, ", " + text)
            return
        key, value = after or into.pairs[-1]
        indent = " " * self.column(into.pairs[0][0].start)
        at = self.line_end(_content_end(key, value, self.text))
        lines = "".join(self.eol + indent + line for line in _block(path, self.step()))
        self.splice(at, at, lines)

    def insert_section(self, value: str) -> None:
        path: list[tuple[str, str | None]] = [(self.section, None)]
        path += (
            [(self.register, None), (self.field, value)] if self.register else [(self.name, value)]
        )
        if self.mode:
            self.add(self.root, None, [path[0], (self.name, value)])
            return
        if self.root.flow or not self.root.pairs:
            self.add(self.root, None, path)
            return
        body = self.text[: self.end].rstrip()
        indent = " " * self.column(self.root.pairs[0][0].start)
        lines = "".join(indent + line + self.eol for line in _block(path, "  "))
        # comments that close the file stay where they are: the section goes to the very end
        self.splice(len(body), self.end, self.eol * 2 + lines)

    def remove(self, trail: list[tuple[_Node, _Node]]) -> None:
        """Take a pair out, with its register when nothing is left in there."""
        *above, pair = trail
        parent = above[-1][1]
        if len(parent.pairs) > 1:
            self.cut(parent, pair)
        elif len(above) > 1:
            self.remove(above)
        elif parent.flow:
            self.splice(pair[0].start, _content_end(*pair, self.text), "")
        else:
            at = above[0][0].end + self.text[above[0][0].end :].index(":") + 1
            self.cut(parent, pair)
            self.splice(at, at, " {}")

    def cut(self, parent: _Node, pair: tuple[_Node, _Node]) -> None:
        index = parent.pairs.index(pair)
        start, end = pair[0].start, _content_end(*pair, self.text)
        if parent.flow:
            if index + 1 < len(parent.pairs):
                end = parent.pairs[index + 1][0].start
            elif index:
                start = _content_end(*parent.pairs[index - 1], self.text)
            self.splice(start, end, "")
            return
        start = self.text.rfind("\n", 0, start) + 1
        if self.text[start : pair[0].start].strip():
            raise CallError(
                f"line {pair[0].line}: {self.name} shares its line; take it out by hand"
            )
        end = self.line_end(end)
        end += 2 if self.text[end : end + 2] == "\r\n" else 1
        self.splice(start, end, "")

    # --- places -------------------------------------------------------------------------------
    def column(self, index: int) -> int:
        return index - (self.text.rfind("\n", 0, index) + 1)

    def line_end(self, index: int) -> int:
        """Where the line ends that holds `index`, before its line end."""
        at = self.text.find("\n", index)
        at = len(self.text) if at < 0 else at
        return at - 1 if at and self.text[at - 1 : at] == "\r" and at > index else at

    def step(self) -> str:
        """How far this file indents the fields of a register."""
        top = self.root.get("settings")
        for key, value in top[1].pairs if top is not None else ():
            if value.kind == "map" and not value.flow and value.pairs:
                return " " * max(1, self.column(value.pairs[0][0].start) - self.column(key.start))
        return "  "


def _mode(root: _Node, name: str) -> _Node:
    """The node of a mode in a stage. Raises CallError where the file has none, or shares it by an alias."""
    modes = root.get("modes")
    pair = modes[1].get(name) if modes is not None and modes[1].kind == "map" else None
    if pair is None or pair[1].kind not in ("map", "alias"):
        raise CallError(f"this file states no mode {name}", "its settings, by hand")
    inside = {id(n) for n in pair[1].walk()}
    if any(n.kind == "alias" or n.anchor for n in pair[1].walk()) or any(
        n.kind == "alias" and id(n.target) in inside for n in root.walk()
    ):
        raise CallError(
            f"line {pair[1].line}: mode {name} is shared by an alias; change it by hand"
        )
    return pair[1]


def _seen(node: _Node) -> _Node:
    return node.target if node.target is not None else node


def _anchor(node: _Node) -> str:
    return f"&{node.anchor} " if node.anchor else ""


def _content_end(key: _Node, value: _Node, text: str) -> int:
    """Where a pair's own text ends: without the line end and the comment behind it."""
    if value.kind in ("map", "seq") and not value.flow:
        if value.pairs:
            return _content_end(*value.pairs[-1], text)
        return _content_end(key, value.items[-1], text) if value.items else key.end + 1
    if value.kind == "scalar" and value.style in ("|", ">"):
        return value.start + len(text[value.start : value.end].rstrip())
    if value.start == value.end:
        return max(value.end, key.end + text[key.end :].index(":") + 1)
    return value.end


def _scalar(value: str, style: str = "") -> str:
    """A value as YAML, quoted as it was before, or where it must be."""
    if style == '"':
        return '"' + value.replace("\\", "\\\\").replace('"', '\\"') + '"'
    if style != "'" and _PLAIN.fullmatch(value) and value.isprintable():
        return value
    return "'" + value.replace("'", "''") + "'"


def _copy(node: _Node, text: str) -> str:
    """A node written out again, on one line, for the place of an alias."""
    node = _seen(node)
    if node.kind == "map":
        inner = ", ".join(f"{_copy(k, text)}: {_copy(v, text)}" for k, v in node.pairs)
        return "{" + inner + "}"
    if node.kind == "seq":
        return "[" + ", ".join(_copy(i, text) for i in node.items) + "]"
    return _scalar(node.value, node.style)


def _flow(path: list[tuple[str, str | None]]) -> str:
    (key, value), *rest = path
    return f"{key}: {_scalar(value)}" if value is not None else f"{key}: {{{_flow(rest)}}}"


def _block(path: list[tuple[str, str | None]], step: str) -> list[str]:
    return [
        step * depth + key + ":" + ("" if value is None else f" {_scalar(value)}")
        for depth, (key, value) in enumerate(path)
    ]


def new_stage(name: str, map_name: str, settings: Mapping[str, str], chip: Chip) -> str:
    """The text of a first stage around a chip: name, map and settings; the power stage is still to be told."""
    head = (
        f"# A stage around {chip.name}. Supply, MOSFET, shunt and timing are still to be stated:\n"
        "# `gateword new stage` shows every key, `gateword check` what each verdict is waiting for.\n"
        f"gateword_stage: 1\n\nstage:\n  name: {name}\n\nmap: {_scalar(map_name)}\n"
    )
    return edit_stage(head, settings, chip)
