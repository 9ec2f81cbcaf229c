"""What is told of a header: its findings, what was not compared, and their places."""

from __future__ import annotations

from collections.abc import Mapping

from regmap.record import dataclass, field

from ..errors import Place, Problem, closest
from .defines import Define
from .fixes import Fix
from .names import Meant, Names


@dataclass(frozen=True, slots=True, kw_only=True)
class Lint:
    """Findings, what was left out and why, and the two counts; `prefix` is what names were taken to begin with."""

    problems: tuple[Problem, ...]
    skipped: tuple[Problem, ...]
    read: int
    prefix: str = ""
    #: what puts right those findings of which the right number is known
    fixes: tuple[Fix, ...] = ()
    #: the files that were read, the header itself first
    texts: Mapping[str, str] = field(default_factory=dict)
    #: the data model by which the header was read, and whether by another one other things are found
    model: str = ""
    by_model: bool = False

    @property
    def unread(self) -> int:
        return len(self.skipped)


def place_of(item: Define, *, at_value: bool = True) -> Place:
    column = item.value_column if at_value else item.column
    span = len(item.body) if at_value else len(item.name)
    return Place(item.file, item.line, column, max(span, 1), item.text)


def problem_of(
    item: Define, found: str, expected: str, near: str = "", *, at_value: bool = True
) -> Problem:
    return Problem(place_of(item, at_value=at_value), found, expected, near, item.name)


def skip_of(item: Define, meant: Meant | None, names: Names) -> Problem:
    if item.value is None:
        found, expected = f"'{item.name}' was not read: {item.why}", "a whole number"
    elif meant is not None and meant.field is not None:
        found = f"'{item.name}' names no option of {meant.field.ref}"
        expected = "an option as the map calls it"
    else:
        found = f"'{item.name}' names no register or field of {names.chip.name}"
        expected = "PREFIX_REG_FIELD with names of the map"
    near = closest(names.bare(item.name), names.all) if meant is None else ""
    return Problem(place_of(item, at_value=False), found, expected, near, "", "warning")
