"""Values of the power stage put into a stage file, wherever and however it states them; all else as it was.

    text = edit_document(text, {"pwm.frequency": "30 kHz", "GATE_HS.SOURCE": "56 mA"}, chip)

A value may stand as `pwm.frequency: ...`, under `pwm:`, or as `{min: ..., max: ...}`.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping

import yaml

from ..chip.bank import find
from ..chip.model import Chip
from ..errors import CallError
from ..formerly import PARAMETERS
from .edit import BOM, _content_end, _Edit, _Node, _scalar, edit_stage
from .whatif import is_input

Pair = tuple[_Node, _Node]


def edit_document(
    text: str, changes: Mapping[str, str | None], chip: Chip, *, mode: str = ""
) -> str:
    """`text` with these settings and stage values stated (a text) or no longer stated (None), under a mode where
    one is named.

    Raises CallError where the YAML is too odd.
    """
    settings, inputs = apart(changes, chip)
    bom = BOM if text.startswith(BOM) else ""
    text = text.removeprefix(BOM)
    for name, value in inputs.items():
        try:
            text = _InputEdit(text, chip, name, mode).to(value)
        except yaml.YAMLError as error:
            raise CallError(f"the file is no YAML any more: {error}") from None
    return bom + edit_stage(text, settings, chip, mode=mode)


def apart(
    changes: Mapping[str, str | None], chip: Chip
) -> tuple[dict[str, str | None], dict[str, str | None]]:
    """The changes of settings, and those of stage values."""
    inputs = {n: t for n, t in changes.items() if is_input(n) and find(chip, n) is None}
    return {n: t for n, t in changes.items() if n not in inputs}, inputs


class _InputEdit(_Edit):
    """One stage value of one text."""

    def to(self, value: str | None) -> str:
        names = [self.name, *(old for old, now in PARAMETERS.items() if now == self.name)]
        way = next((w for n in names if (w := self.way(self.root, n)) is not None), None)
        if way is None:
            if value is not None:
                self.state(value)
            return self.text
        self.untied(way)
        if value is None:
            self.take_out(way)
        else:
            self.put(way[-1], value)
        return self.text

    def way(self, node: _Node, name: str) -> list[Pair] | None:
        """The pairs that lead down to a dotted name, however its dots are nested."""
        for head, rest in _heads(name):
            pair = node.get(head)
            if pair is None:
                continue
            if not rest:
                return [pair]
            if pair[1].kind == "map" or pair[1].target is not None:
                inner = pair[1].target or pair[1]
                below = self.way(inner, rest) if inner.kind == "map" else None
                if below is not None:
                    return [pair, *below]
        return None

    def untied(self, way: list[Pair]) -> None:
        """Nothing else may see the change: refuses where an alias leads here, or from here."""
        seen = [value for _, value in way]
        aliased = {id(n.target) for n in self.root.walk() if n.kind == "alias"}
        last = seen[-1]
        for node in seen:
            if (node.kind == "alias" and node is not last) or id(node) in aliased:
                raise CallError(
                    f"line {node.line}: {self.name} is shared by an alias there; change it by hand"
                )

    def put(self, pair: Pair, value: str) -> None:
        key, old = pair
        if old.kind == "scalar":
            self.replace(old, value)
        elif old.kind == "alias" or old.flow:
            self.splice(old.start, old.end, _scalar(value))
        else:
            self.splice(key.end, _content_end(key, old, self.text), ": " + _scalar(value))

    def take_out(self, way: list[Pair]) -> None:
        while len(way) > 1 and len(way[-2][1].pairs) == 1:
            way = way[:-1]
        self.cut(way[-2][1] if len(way) > 1 else self.root, way[-1])

    def state(self, value: str) -> None:
        """A value that the file does not state yet: beside its like, else before the settings."""
        for head, rest in _heads(self.name):
            pair = self.root.get(head) if rest else None
            if pair is not None and pair[1].kind == "map" and pair[1].pairs:
                self.add(pair[1], None, [(rest, value)])
                return
        if self.root.flow or self.mode:
            self.add(self.root, None, [(self.name, value)])
            return
        before = next((p for n in ("settings", "external") if (p := self.root.get(n))), None)
        line = f"{self.name}: {_scalar(value)}{self.eol}"
        if before is not None:
            start = self.text.rfind("\n", 0, before[0].start) + 1
            self.splice(start, start, line + self.eol)
            return
        body = self.text[: self.end].rstrip()
        self.splice(len(body), self.end, self.eol + line)


def _heads(name: str) -> Iterator[tuple[str, str]]:
    """`a.b.c` as (a.b.c, ""), (a.b, c), (a, b.c): the longest first."""
    parts = name.split(".")
    for count in range(len(parts), 0, -1):
        yield ".".join(parts[:count]), ".".join(parts[count:])
