"""What only shows between definitions: masks that share bits, one name with two values."""

from __future__ import annotations

from collections.abc import Iterator

from ..chip.model import Field
from ..errors import Problem
from .account import place_of, problem_of
from .defines import Define
from .names import Meant


def _line(item: Define, other: Define) -> str:
    """Where the other one stands, as somebody says it who is at the first."""
    return f"line {other.line}" if item.file == other.file else f"{other.file}:{other.line}"


def overlaps(known: list[tuple[Define, Meant]]) -> Iterator[Problem]:
    """Masks of two fields of one register that share bits, as the header has them."""
    seen: dict[str, list[tuple[Define, Field, int]]] = {}
    for item, meant in known:
        if meant.kind != "mask" or meant.field is None or item.value is None:
            continue
        if item.value == (1 << meant.field.width) - 1 and min(meant.field.bits) != 0:
            continue  # a mask that is meant to be shifted
        others = seen.setdefault(meant.register.name, [])
        for other, of, mask in others:
            shared = mask & item.value
            if shared and of is not meant.field:
                yield problem_of(
                    item,
                    f"mask 0x{item.value:X}, which shares 0x{shared:X} with {other.name} ({_line(item, other)})",
                    f"masks of {meant.register.name} without common bits",
                )
        others.append((item, meant.field, item.value))


def twice(items: list[Define]) -> Iterator[Problem]:
    """One name with two values, outside conditional sections or in them: at least worth a look."""
    first: dict[str, Define] = {}
    for item in items:
        other = first.setdefault(item.name, item)
        if other is not item and other.value != item.value:
            yield Problem(
                place_of(item, at_value=False),
                f"'{item.name}' again with another value ({_line(item, other)})",
                "one value for a name, unless a condition chooses between them",
                "",
                item.name,
                "warning",
            )
